"""A server that is killed at any moment, and people who send what got no answer again: each note is there once."""

import collections
import functools
import http.client
import os
import pathlib
import subprocess
import sys
import threading
import time

import pytest

pytest.importorskip("uvicorn")
pytest.importorskip("starlette")
pytest.importorskip("itsdangerous")

from serving import Client, Form

from gcodetool.app.noting import history
from gcodetool.cli.main import outcome
from gcodetool.serve.run import listening

LONG = os.environ.get("GCODETOOL_HYPOTHESIS") == "long"
CLIENTS, NOTES, KILLS = (16, 100, 50) if LONG else (3, 4, 2)
EVERY_WEIGHED = 6  # of the notes; the others are readings of a hygrometer


class Shop:
    """A server in a process of its own that is killed and started again."""

    def __init__(self) -> None:
        sock = listening("127.0.0.1", 0)
        self.port = sock.getsockname()[1]
        sock.close()
        self.process: subprocess.Popen[str] | None = None
        self.start()

    def start(self) -> None:
        words = [sys.executable, "-m", "gcodetool", "serve", "--port", str(self.port), "--members", "1"]
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        assert self.process.stdout is not None
        assert "shelf at" in self.process.stdout.readline()

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.communicate()


def insist(ask):
    """Return the answer to a question, asked until there is one."""
    while True:
        try:
            return ask()
        except (OSError, http.client.HTTPException):
            time.sleep(0.02)  # it is being started again


def test_each_note_is_there_once(
    ledger_word: str, tmp_path: pathlib.Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GCODETOOL_LEDGER", ledger_word)
    monkeypatch.setenv("GCODETOOL_SERVE_SECRET", str(tmp_path / "secret"))
    for line in (
        "place add bench --kind open --temperature 22 --humidity 48",
        "spool add petg-03 --material PETG --body-mass 230 --place bench --at 2026-11-02T08:00+00:00",
    ):
        assert outcome(line.split()) == 0
    shop = Shop()
    done = threading.Semaphore(0)
    faults: list[object] = []

    def work(number: int) -> None:
        try:
            notes(number)
        except Exception as fault:  # told at the end; nobody waits for it for ever
            faults.append(fault)
            for _ in range(NOTES):
                done.release()

    def notes(number: int) -> None:
        phone = Client(shop.port)
        for step in range(NOTES):
            count = number * NOTES + step
            weighed = count % EVERY_WEIGHED == 0
            page = insist(functools.partial(phone.get, "/s/petg-03" if weighed else "/p/bench")).page
            form: Form = page.form("weigh" if weighed else "read")
            filled = {"grams": f"{1200 + count / 100:.2f}"} if weighed else {"rh": f"{20 + count / 100:.2f}"}
            for _ in range(1 + count % 2):  # every other one twice, whatever the answer was
                answer = insist(lambda form=form, filled=filled: phone.post(form, follow=False, **filled))
                if answer.status != 303:
                    faults.append((answer.status, answer.body))
            done.release()

    threads = [threading.Thread(target=work, args=(number,)) for number in range(CLIENTS)]
    for thread in threads:
        thread.start()
    for _ in range(KILLS):
        for _ in range(CLIENTS * NOTES // (KILLS + 1)):
            done.acquire()
        shop.kill()
        shop.start()
    for thread in threads:
        thread.join()
    shop.kill()
    assert faults == []
    wanted = range(CLIENTS * NOTES)
    weighed = collections.Counter(
        each.facts["gross_g"] for each in history("spool", "petg-03") if each.kind == "weighed"
    )
    assert weighed == {round(1200 + count / 100, 2): 1 for count in wanted if count % EVERY_WEIGHED == 0}
    read = collections.Counter(
        each.facts["rh_pct"] for each in history("place", "bench") if each.kind == "read"
    )
    assert read == {round(20 + count / 100, 2): 1 for count in wanted if count % EVERY_WEIGHED}
