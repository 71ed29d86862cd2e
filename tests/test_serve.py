"""The page at the machine: stories of forms, each note once, and what somebody who means harm gets."""

import http.client
import json
import pathlib
import re
import shutil
import ssl
import subprocess
import threading
from collections.abc import Iterator
from urllib.parse import quote, urlencode

import pytest

pytest.importorskip("uvicorn")
pytest.importorskip("starlette")
pytest.importorskip("itsdangerous")

from serving import Answer, Client, Form, Page, raw, served

from gcodetool.app import access
from gcodetool.app.noting import history
from gcodetool.cli.main import outcome
from gcodetool.errors import UsageError
from gcodetool.serve import guard, run, seal

SHOP = (
    "place add bench --kind open --temperature 22 --humidity 48",
    "place add box-2 --kind box --air 9 --desiccant clay --desiccant-mass 60 --temperature 22 --room bench",
    "place add oven --kind dryer --temperature 63 --room bench",
    "place add bench-1 --kind printer --printer bench-1 --room bench",
    "spool add petg-03 --material PETG --body-mass 230 --place bench --at 2026-11-02T08:00+00:00",
    "spool add pa6-07 --material PA6 --net-mass 750 --place bench --at 2026-11-02T08:00+00:00",
)
EVIL = "<script>alert(1)</script>\"'&"


def stocked(word: str, folder: pathlib.Path, patch: pytest.MonkeyPatch) -> str:
    """Make a ledger with a small workshop, and let it be the one that is meant."""
    patch.setenv("GCODETOOL_LEDGER", word)
    patch.setenv("GCODETOOL_SERVE_SECRET", str(folder / "secret"))
    for line in SHOP:
        assert outcome(line.split()) == 0
    return word


@pytest.fixture
def shop(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Give a ledger with a small workshop."""
    return stocked(str(tmp_path / "ledger.sqlite"), tmp_path, monkeypatch)


@pytest.fixture
def port(shop: str) -> Iterator[int]:
    with served(members=1) as found:
        yield found


@pytest.fixture
def either_port(ledger_word: str, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Give the port of a server on a file, and where there is one on a database server."""
    stocked(ledger_word, tmp_path, monkeypatch)
    with served(members=1) as found:
        yield found


@pytest.fixture
def phone(port: int) -> Client:
    return Client(port)


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """Give the port of a server at which nothing is ever noted."""
    folder = tmp_path_factory.mktemp("target")
    with pytest.MonkeyPatch.context() as patch:
        stocked(str(folder / "ledger.sqlite"), folder, patch)
        with served(members=1) as found:
            yield found
        assert kinds() == ["added"]


def kinds(name: str = "petg-03") -> list[str]:
    return [each.kind for each in history("spool", name)]


# ---------------------------------------------------------------- what people do


def test_a_move_is_one_tap_on_the_spools_page_and_is_undone_by_the_next(phone: Client) -> None:
    page = phone.get("/s/petg-03").page
    assert "stands at bench" in page.text
    assert b"<svg" in phone.get("/s/pa6-07").body  # how it goes on where it stands
    move = page.form("move")
    assert ("place", "box-2") in move.buttons
    answer = phone.post(move, place="box-2")
    assert answer.status == 200
    assert "Noted. To box-2." in answer.page.text
    assert "stands at box-2" in answer.page.text
    assert "Undid" in phone.post(answer.page.form("undo")).page.text
    assert kinds() == ["added", "moved", "undone"]
    assert "stands at bench" in phone.get("/s/petg-03").page.text


def test_a_weigh_in_has_three_fields(phone: Client) -> None:
    form = phone.get("/s/petg-03").page.form("weigh")
    assert [name for name in form.named if name] == ["grams", "scale", "ago"]
    assert "weighed 1210.5 g" in phone.post(form, grams="1210,5").page.text
    entry = history("spool", "petg-03")[-1]
    assert entry.facts == {"gross_g": 1210.5, "resolution_g": 0.1}


def test_everything_else_that_one_does(phone: Client) -> None:
    page = phone.get("/s/petg-03").page
    assert "looked at: bubbles few" in phone.post(page.form("look"), bubbles="few", oozes="no").page.text
    assert "fed 3.20 m" in phone.post(page.form("feed"), amount="3.2", unit="m").page.text
    came_out = phone.post(page.form("outcome"), strings="few", surface="smooth", parts="good")
    assert came_out.status == 200
    assert history("spool", "petg-03")[-1].facts == {"strings": "few", "surface": "smooth", "parts": "good"}
    assert phone.post(phone.get("/s/petg-03").page.form("outcome")).status == 422
    dried = phone.post(page.form("dry"), hours="6", ago="3600")
    assert "to oven" in dried.page.text
    assert kinds()[-2:] == ["moved", "moved"]
    bench = phone.get("/p/bench").page
    assert "48 % RH" in bench.text
    assert "read 55 % RH at 22 °C" in phone.post(bench.form("read"), rh="55").page.text
    box = phone.get("/p/box-2").page
    assert "Desiccant renewed." in phone.post(box.form("renew")).page.text
    assert phone.post(phone.get("/p/bench").page.form("undo")).status == 200
    assert history("place", "bench")[-1].kind == "undone"


def test_a_new_reel_is_put_on_the_shelf_where_it_comes_to(phone: Client) -> None:
    assert "A new reel" in phone.get("/").page.text
    form = phone.get("/p/bench").page.form("new")
    filled = {
        "id": "pa6-11",
        "material": "PA6",
        "came": "sealed",
        "net": "0,75 kg",
        "left": "500",
        "fibre": "15",
    }
    answer = phone.post(form, **filled)
    assert answer.status == 200
    assert "500 g left" in answer.page.text
    assert "counts as unpacked now" in answer.page.text
    added = history("spool", "pa6-11")[0].facts
    assert added["received"] == {"place": "bench", "sealed": True}
    assert (added["net_mass_g"], added["fibre_wt_pct"], added["diameter_mm"]) == (750.0, 15.0, 1.75)
    assert "body" not in added and "colour" not in added
    phone.post(form, **filled)  # twice is once
    assert kinds("pa6-11") == ["added", "fed"]
    assert "pa6-11" in phone.get("/").page.text
    undone = phone.post(answer.page.form("undo"))
    assert undone.status == 200 and "Undid" in undone.page.text
    assert "pa6-11" not in phone.get("/").page.text


@pytest.mark.parametrize(
    ("said", "line"),
    [
        ({"id": "PA 6"}, "cannot be a spool's id"),
        ({"id": "petg-03"}, "is on the shelf already"),
        ({"id": ""}, "Name: give the reel one of your own"),
        ({"material": "/etc/hostname"}, "choose one of the names in the list"),
        ({"material": ""}, "Material: choose one"),
        ({"body": "own.toml"}, "choose one of the names in the list"),
        ({"net": "0"}, "Filament when new: write grams"),
        ({"net": "1"}, "Filament when new"),
        ({"left": "1200"}, "1200 g left of 1000 g cannot be"),
        ({"left": "0"}, "Left on it: write grams"),
        ({"colour": "x" * 61}, "Colour: write at most 60 letters"),
        ({"came": "by post"}, "It came: choose one of"),
    ],
)
def test_a_new_reel_that_cannot_be_is_refused_in_one_line(
    target: int, said: dict[str, str], line: str
) -> None:
    phone = Client(target)
    answer = phone.post(phone.get("/p/bench").page.form("new"), **{"id": "new-1", "material": "PLA", **said})
    assert answer.status == 422
    assert line in answer.page.text
    assert history("spool", "new-1") == []


def test_a_charge_is_renewed_with_its_kind_and_undone(phone: Client) -> None:
    page = phone.get("/p/box-2").page
    assert "60 g clay" in page.text
    assert "dry it at 95 to 110 °C" in page.text
    assert "read in a source" in page.text  # what is not sure of that stands beside it,
    assert "hot grains burn" in page.text  # and its cautions
    form = page.form("renew")
    answer = phone.post(form, desiccant="molecular sieve", grams="250", ago="3600")
    assert "Desiccant renewed: 250 g molecular sieve." in answer.page.text
    assert "Desiccant renewed 20" in answer.page.text
    assert "250 g molecular sieve" in phone.get("/places").page.text
    assert [each.kind for each in history("place", "box-2")] == ["added", "renewed"]
    assert (
        phone.post(form, desiccant="molecular sieve", grams="250", ago="3600").status == 200
    )  # twice is once
    assert [each.kind for each in history("place", "box-2")] == ["added", "renewed"]
    assert "Undid" in phone.post(answer.page.form("undo")).page.text
    assert "60 g clay" in phone.get("/p/box-2").page.text
    for grams in ("-1", "12o"):
        assert phone.post(phone.get("/p/box-2").page.form("renew"), grams=grams).status == 422


def test_a_charge_that_somebody_renewed_meanwhile_is_asked_about(phone: Client) -> None:
    early = phone.get("/p/box-2").page.form("renew")
    assert phone.post(phone.get("/p/box-2").page.form("renew"), grams="120").status == 200
    asked = phone.post(early)
    assert asked.status == 409
    assert "changed after this page was made" in asked.page.text
    assert "Desiccant renewed: 120 g" in asked.page.text
    assert phone.post(asked.page.forms[0]).status == 200
    assert [each.kind for each in history("place", "box-2")] == ["added", "renewed", "renewed"]


def test_what_holds_no_desiccant_has_no_form_for_it(phone: Client) -> None:
    assert not any(form.fields.get("what") == "renew" for form in phone.get("/p/bench").page.forms)


def test_what_a_check_doubts_is_asked_again(phone: Client) -> None:
    form = phone.get("/s/petg-03").page.form("weigh")
    refused = phone.post(form, grams="100")
    assert (refused.status, kinds()) == (422, ["added"])
    assert "Nothing was noted" in refused.page.text
    assert "or note it all the same, below." in refused.page.text
    assert "--" not in refused.page.text
    assert "weighed 100 g" in phone.post(refused.page.forms[0]).page.text
    wrong = phone.post(phone.get("/s/petg-03").page.form("weigh"), grams="12o0")
    assert (wrong.status, wrong.page.forms) == (422, [])
    assert "Grams: '12o0': 'o0' is no unit of a mass" in wrong.page.text
    for place, more in (
        ("bench", {"tool": "1"}),
        ("nope", {}),
    ):  # nobody can insist on a place that is not there
        moved = phone.post(phone.get("/s/petg-03").page.form("move"), place=place, **more)
        assert (moved.status, moved.page.forms) == (422, [])
    unread = phone.post(phone.get("/p/bench").page.form("read"), celsius="21")
    assert (unread.status, "Humidity: write a number." in unread.page.text) == (422, True)


# ---------------------------------------------------------------- once, and in order


def test_a_form_sent_twice_is_noted_once(either_port: int) -> None:
    phone = Client(either_port)
    form = phone.get("/s/petg-03").page.form("weigh")
    for _ in range(3):
        assert "weighed 1210 g" in phone.post(form, grams="1210").page.text
    assert kinds() == ["added", "weighed"]
    other = phone.post(form, grams="1201")  # back, corrected, sent again
    assert other.status == 409
    assert "Weighed 1210 g" in other.page.text
    assert kinds() == ["added", "weighed"]
    assert "weighed 1201 g" in phone.post(other.page.forms[0]).page.text
    assert kinds() == ["added", "weighed", "weighed"]


def test_a_form_left_open_says_that_the_spool_moved(either_port: int) -> None:
    phone, other = Client(either_port), Client(either_port)
    left_open = phone.get("/s/petg-03").page
    other.post(other.get("/s/petg-03").page.form("move"), place="box-2")
    asked = phone.post(left_open.form("move"), place="oven")
    assert asked.status == 409
    assert "To box-2" in asked.page.text
    assert kinds() == ["added", "moved"]
    assert "stands at oven" in phone.post(asked.page.forms[0]).page.text
    # a weigh-in means the spool wherever it is
    assert "weighed 1210 g" in phone.post(left_open.form("weigh"), grams="1210").page.text


def test_many_at_once_are_all_noted_in_order(either_port: int) -> None:
    clients = [Client(either_port) for _ in range(6)]
    forms = [client.get("/s/petg-03").page.form("weigh") for client in clients]
    begin = threading.Barrier(12)

    def send(client: Client, form: Form, grams: int) -> None:
        begin.wait()
        assert client.post(form, grams=str(grams)).status == 200

    threads = [
        threading.Thread(target=send, args=(client, form, 1200 + number))
        for number, (client, form) in enumerate(zip(clients, forms, strict=True))
        for _ in range(2)  # each of them twice
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    weighed = [each.facts["gross_g"] for each in history("spool", "petg-03") if each.kind == "weighed"]
    assert sorted(weighed) == [1200.0 + number for number in range(6)]


# ---------------------------------------------------------------- who may


def test_with_lan_a_device_pairs_once_and_can_be_dropped(
    shop: str, monkeypatch, capsys: pytest.CaptureFixture[str]
) -> None:
    codes: list[str] = []
    with served(codes, members=1, lan=True) as port:
        phone = Client(port)
        asked = phone.get("/s/petg-03").page
        assert "Pair this device" in asked.text
        assert "petg-03" not in asked.text
        assert phone.post(asked.forms[0], code="AAAA AAAA", name="phone").status == 403
        assert phone.post(asked.forms[0], code=codes[0], name="phone").status == 429  # too soon
        tablet = Client(port, host="localhost")
        first = tablet.cookie
        page = tablet.get("/s/petg-03").page
        monkeypatch.setattr(seal, "LONGEST_WAIT_S", 0.0)
        answer = pair_when_free(tablet, page, codes[-1], "tablet")
        assert answer.status == 200
        assert "This device: tablet" in answer.page.text
        assert "petg-03" in answer.page.text  # the page that its camera asked for
        assert tablet.cookie != first  # a cookie from before is no key
        assert len(codes) == 2  # that one is used up
        answer = pair_when_free(phone, phone.get("/pair").page, codes[0], "phone")
        assert answer.status == 403
        capsys.readouterr()
        assert outcome(["serve", "devices"]) == 0
        assert "tablet: device" in capsys.readouterr().out
        form = tablet.get("/s/petg-03").page.form("move")
        assert tablet.post(tablet.get("/s/petg-03").page.form("feed"), amount="3").status == 200
        assert history("spool", "petg-03")[-1].who == "tablet"
        assert outcome(["serve", "devices", "drop", "tablet"]) == 0
        assert "Pair this device" in tablet.post(form, place="box-2").page.text
        assert kinds() == ["added", "fed"]


def test_a_cookie_that_is_kept_back_is_not_replaced(shop: str) -> None:
    """A camera or a link elsewhere opens a page without the cookie that is there; another one would unpair it."""
    token = access.grant("phone", "device")
    with served(members=1, lan=True) as port:
        phone = Client(port)
        phone.cookie = f"gcodetool={seal.Seal(access.secret()).cookie(token)}"
        led = phone.ask("GET", "/s/petg-03", headers={"Cookie": ""})
        assert "set-cookie" not in led.headers
        assert "petg-03" not in led.page.text
        assert "This device: phone" in phone.get("/hello?to=%2Fs%2Fpetg-03").page.text
        for elsewhere in (
            "//elsewhere.example",
            "https://elsewhere.example",
            "/\\elsewhere.example",
            "/%0d%0aX: y",
        ):
            said = phone.ask("GET", f"/hello?to={quote(elsewhere, safe='%')}")
            assert (said.status, said.headers["location"]) == (303, "/")
    with served(members=1) as port:
        led = Client(port).ask("GET", "/s/petg-03", headers={"Sec-Fetch-Site": "cross-site"})
        assert "set-cookie" not in led.headers
        assert "refresh" in led.body.decode()


def pair_when_free(client: Client, page: Page, code: str, name: str) -> Answer:
    """Pair as soon as the address may try again."""
    while (answer := client.post(page.forms[0], code=code, name=name)).status == 429:
        pass
    return answer


def test_the_cookie_is_for_this_server_alone(target: int) -> None:
    said = Client(target).get("/").headers["set-cookie"]
    assert "HttpOnly" in said
    assert "SameSite=strict" in said


def test_codes_expire_and_wrong_ones_cost_time() -> None:
    now = [0.0]
    codes: list[str] = []
    pairing = seal.Pairing(codes.append, lambda: now[0])
    pairing.offer()
    pairing.offer()
    assert len(codes) == 1
    for times in range(5):
        assert not pairing.tried("WRONG", "10.0.0.9")
        with pytest.raises(seal.WaitError) as wait:
            pairing.tried(codes[0], "10.0.0.9")
        assert wait.value.seconds == 2.0**times
        now[0] += 2.0**times
    assert pairing.tried(codes[0].lower(), "10.0.0.9")
    assert not pairing.tried(codes[0], "10.0.0.8")  # good once
    now[0] += seal.CODE_LASTS_S
    assert not pairing.tried(codes[1], "10.0.0.7")
    pairing.offer()
    before = len(codes)
    for number in range(seal.WRONG_BEFORE_NEW):
        pairing.tried("WRONG", f"10.0.1.{number}")
    assert len(codes) == before + 1


def test_the_secret_is_its_owners_alone(tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "new" / "secret"
    monkeypatch.setenv(access.SECRET, str(path))
    found = access.secret()
    assert (len(found), access.secret()) == (43, found)
    assert path.stat().st_mode & 0o077 == 0


def test_read_only_notes_nothing(shop: str) -> None:
    with served(members=1, read_only=True) as port:
        phone = Client(port)
        assert phone.get("/s/petg-03").page.forms == []
        assert phone.post(Form("/note", {"key": "x", "what": "move"}), place="box-2").status == 403
    assert kinds() == ["added"]


# ---------------------------------------------------------------- who means harm


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://elsewhere.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": ""}, 403),  # and no referer
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Host": "elsewhere.example:8340"}, 421),  # a name that was turned to this machine
        ({"Host": "127.0.0.1.elsewhere.example"}, 421),
        ({"Host": "192.168.1.9"}, 421),
        ({"Cookie": ""}, 403),
        ({"Cookie": "gcodetool=forged.AAAA"}, 403),
    ],
)
def test_a_form_from_elsewhere_is_refused(target: int, headers: dict[str, str], status: int) -> None:
    phone = Client(target)
    form = phone.get("/s/petg-03").page.form("move")
    assert phone.post(form, place="box-2", headers=headers).status == status


def test_a_form_of_another_device_or_of_no_page_is_refused(target: int, monkeypatch) -> None:
    phone, other = Client(target), Client(target)
    other.get("/")
    theirs = phone.get("/s/petg-03").page.form("move")
    assert other.post(theirs, place="box-2").status == 403
    for key in ("", "x.y.z", theirs.fields["key"][:-2] + "AA", "A" * 4000, "\N{SNOWMAN}"):
        assert phone.post(theirs, place="box-2", key=key).status == 403
    assert phone.post(theirs, what="retire").status == 400
    assert phone.post(phone.get("/p/bench").page.form("read"), what="move", place="oven").status == 400
    monkeypatch.setattr(seal, "FORM_LASTS_S", -1)
    assert phone.post(theirs, place="box-2").status == 409


@pytest.mark.parametrize("way", ["length", "chunks"])
def test_a_form_of_ten_megabytes_is_refused_early(target: int, way: str) -> None:
    port, phone = target, Client(target)
    phone.get("/")
    head = f"POST /note HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\nCookie: {phone.cookie}\r\n"
    if way == "length":
        said = raw(port, f"{head}Content-Length: 10000000\r\n\r\n".encode() + b"x" * 100_000)
    else:
        piece = b"4000\r\n" + b"x" * 0x4000 + b"\r\n"
        said = raw(port, f"{head}Transfer-Encoding: chunked\r\n\r\n".encode() + piece * 30)
    assert said.startswith(b"HTTP/1.1 413")
    assert phone.get("/").status == 200


def test_a_slow_client_is_let_go_and_holds_up_nobody(shop: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "HEAD_S", 0.3)
    monkeypatch.setattr(run, "IDLE_S", 1)
    monkeypatch.setattr(guard, "BODY_S", 0.3)
    with served(members=1) as port:
        phone = Client(port)
        phone.get("/")
        assert raw(port, b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ") == b""
        assert raw(port, b"") == b""
        head = f"POST /note HTTP/1.1\r\nHost: 127.0.0.1\r\nOrigin: http://127.0.0.1\r\nCookie: {phone.cookie}\r\n"
        said = raw(port, f"{head}Content-Length: 100\r\n\r\nkey=".encode())
        assert said.startswith(b"HTTP/1.1 408")
        # after an answer the next head is waited for no longer than the first one
        ok = b"GET /files/page.css HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        assert raw(port, ok + b"GET / HT").count(b"HTTP/1.1 200") == 1
        assert phone.get("/").status == 200


@pytest.mark.parametrize(
    "path",
    ["/../../etc/passwd", "/files/../web.py", "/files/%2e%2e%2fweb.py", "/files/base.html", "/jobs/..%2f..%2fetc%2fpasswd",
     "/s/..%2f..%2fetc", "/s/%00", "/p/%ff%fe", "/air/bench", "/" + "a" * 3000, "/s/" + quote("x" * 300)],
)  # fmt: skip
def test_tricks_with_paths_lead_nowhere(target: int, path: str) -> None:
    said = raw(target, f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n".encode())
    assert re.match(rb"HTTP/1.1 (404|405|414|400) ", said), said[:60]
    assert b"root:" not in said
    assert b"import" not in said


def test_too_many_requests_are_told_to_wait(shop: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(guard.PER_SECOND, "GET", 0.5)
    with served(members=1) as port:
        phone = Client(port)
        assert [phone.ask("GET", "/files/page.css").status for _ in range(3)] == [200, 429, 429]


def test_a_pace_fills_again_and_forgets() -> None:
    now = [0.0]
    pace = guard.Pace(2.0, lambda: now[0])
    assert [pace.admits("a") for _ in range(5)] == [True] * 4 + [False]
    now[0] = 0.5
    assert [pace.admits("a"), pace.admits("a"), pace.admits("b")] == [True, False, True]


def test_script_in_every_field_is_text(shop: str, tmp_path: pathlib.Path) -> None:
    box = ["--kind", "box", "--temperature", "22", "--humidity", "20", "--note", EVIL]
    assert outcome(["place", "add", EVIL[:50], *box]) == 0
    assert outcome(["spool", "set", "petg-03", "--colour", EVIL]) == 0
    assert outcome(["spool", "weigh", "petg-03", "1210", "--note", EVIL]) == 0
    jobs = tmp_path / "jobs"
    jobs.mkdir()
    (jobs / "<img src=x onerror=alert(1)>.gcode").write_text("G1 X1\n", encoding="utf-8")
    with served(members=1, jobs=jobs) as port:
        phone = Client(port)
        moved = phone.post(phone.get("/s/petg-03").page.form("move"), place=EVIL[:50])
        assert "Noted" in moved.page.text
        refused = phone.post(moved.page.form("weigh"), grams=EVIL)
        for path in (
            "/",
            "/s/petg-03",
            "/places",
            f"/p/{quote(EVIL[:50], safe='')}",
            "/due",
            "/jobs",
            "/s/" + quote(EVIL),
        ):
            answer = phone.get(path)
            assert answer.page.tags.count("script") == 1, path  # our own
            assert answer.page.tags.count("img") == 0
            assert "alert(1)" not in " ".join(
                re.findall(r"<[^>]*>", re.sub(r'"[^"]*"', "", answer.body.decode()))
            )
            assert "script-src 'self'" in answer.headers["content-security-policy"]
        assert refused.page.tags.count("script") == 1


def test_no_answer_lacks_its_safety_headers(target: int) -> None:
    phone = Client(target)
    for path in ("/", "/nothing", "/files/page.css", "/s/none", "/pair"):
        said = phone.ask("GET", path).headers
        for name, value in guard.HEADERS:
            assert said[name.decode()] == value.decode(), path
        assert "default-src 'none'" in said["content-security-policy"]


# ---------------------------------------------------------------- machines


def test_air_comes_in_by_token(port: int, phone: Client, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert outcome(["place", "sensor", "bench"]) == 0
    token = capsys.readouterr().out.strip()

    def send(said: object, path: str = "/air/bench", key: str = token) -> tuple[int, dict]:
        headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json", "Origin": ""}
        answer = phone.ask("POST", path, json.dumps(said).encode(), headers)
        return answer.status, json.loads(answer.body)

    assert send({"temperature_C": 21.5, "rh_pct": 51.0}) == (200, {"noted": 1})
    assert send({"temperature_C": 21.5, "rh_pct": 51.2}) == (200, {"noted": 0})
    assert [each.kind for each in history("place", "bench")] == ["added", "logged"]
    assert send({"rh_pct": 51.0}, key="guessed")[0] == 401
    assert send({"rh_pct": 51.0}, path="/air/box-2")[0] == 401  # a token is for one place
    for wrong in ({"rh_pct": 101}, {"rh_pct": "x"}, {}, [], {"rh_pct": 50, "at": "yesterday"}, {"rh_pct": 50, "hum": 1},
                  {"rh_pct": 50, "at": 9e18}, {"rh_pct": True}, {"rh_pct": 1e400}, {"rh_pct": 50, "temperature_C": 900},
                  {"rh_pct": 50, "at": "2001-01-01T00:00:00Z"}, {"rh_pct": 50, "at": "2999-01-01T00:00:00Z"}):  # fmt: skip
        assert send(wrong)[0] == 422, wrong
    form = {"rh_pct": "58", "temperature_C": "21.5"}
    headers = {"Authorization": f"Bearer {token}", "Origin": ""}
    answer = phone.ask("POST", "/air/bench", urlencode(form).encode(), headers)
    assert json.loads(answer.body)["noted"] >= 2  # a jump: what was before it, and itself
    assert outcome(["serve", "devices", "drop", "sensor of bench"]) == 0
    assert send({"rh_pct": 51.0})[0] == 401


def test_the_calendar_needs_its_password_where_others_may_come(
    shop: str, capsys: pytest.CaptureFixture[str]
) -> None:
    import base64

    capsys.readouterr()
    assert outcome(["serve", "devices", "calendar", "wall"]) == 0
    word = capsys.readouterr().out.strip()
    with served(members=1, lan=True) as port:
        phone = Client(port)
        assert phone.ask("GET", "/due.ics").status == 401
        basic = base64.b64encode(f"me:{word}".encode()).decode()
        answer = phone.ask("GET", "/due.ics", headers={"Authorization": f"Basic {basic}"})
        assert answer.body.startswith(b"BEGIN:VCALENDAR")
        page = phone.ask("GET", "/s/petg-03", headers={"Authorization": f"Basic {basic}"}).page
        assert "stands at" not in page.text  # it opens nothing else
        assert phone.ask("GET", "/due.ics", headers={"Authorization": "Basic =="}).status == 401


def test_misuse_is_one_line(shop: str, tmp_path: pathlib.Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words, said in (
        ("--host 0.0.0.0", "add --lan"),
        ("--certificate a.pem", "belong together"),
        (f"--certificate {tmp_path / 'a'} --key {tmp_path / 'b'}", "cannot be used"),
        (f"--jobs {tmp_path / 'none'}", "no such folder"),
        ("--lan --host 203.0.113.9", "cannot listen"),
    ):
        assert outcome(["serve", *words.split(), "--port", "0"]) == 2
        assert said in capsys.readouterr().err


@pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl here: TLS was not tried")
def test_a_certificate_makes_it_https_with_cookies_that_stay_there(
    shop: str, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    certificate, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    made = "openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost -addext subjectAltName=DNS:localhost"
    subprocess.run(
        [*made.split(), "-keyout", str(key), "-out", str(certificate)], check=True, capture_output=True
    )
    run.check_tls(certificate, key)
    with pytest.raises(UsageError, match="cannot be used"):
        run.check_tls(key, certificate)
    with served(members=1, secure=True, certificate=certificate, key=key) as port:
        trusting = ssl.create_default_context(cafile=str(certificate))
        conn = http.client.HTTPSConnection("localhost", port, context=trusting, timeout=60)
        conn.request("GET", "/places")
        answer = conn.getresponse()
        assert answer.status == 200
        assert "Secure" in str(answer.getheader("set-cookie"))
        conn.close()
