"""How fast the page answers: a shelf of many spools, unchanged and after a move, and under a load.

    python tests/benchmarks/serve_speed.py [--spools 200] [--members 64] [--rate 200] [--seconds 20]

Makes a ledger as ``shelf.py`` does, works out its list once, and starts a server of its own.  Each figure is what
a client in another process waits, connection included.  ``spool list`` beside it is a whole process.
"""

import argparse
import http.client
import multiprocessing
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from urllib.parse import urlencode

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
from run import GCODETOOL
from serving import Client, Page
from shelf import make

CLIENTS = 16
UNCHANGED = 40
MOVES = 5
ADDRESSES = ["/"] * 6 + ["/due", "/places", "/s/spool-003", "/p/box-2", "/files/page.css"]


def load(
    port: int, rate: float, seconds: float, answers: "multiprocessing.Queue[list[tuple[int, float]]]"
) -> None:
    """Ask at a steady rate, whether answers come or not, from several clients; hand over (status, wait [s])."""
    found: list[tuple[int, float]] = []
    begin = time.perf_counter() + 0.5
    count = int(rate * seconds)

    def client(number: int) -> None:
        cookie, conn = "", http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        for step in range(number, count, CLIENTS):
            due = begin + step / rate
            time.sleep(max(0.0, due - time.perf_counter()))
            conn.request(
                "GET", ADDRESSES[step % len(ADDRESSES)], headers={"Cookie": cookie} if cookie else {}
            )
            got = conn.getresponse()
            got.read()
            cookie = cookie or got.getheader("set-cookie", "").partition(";")[0]
            found.append((got.status, time.perf_counter() - due))

    threads = [threading.Thread(target=client, args=(number,)) for number in range(CLIENTS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    answers.put(found)


def timed(phone: Client, path: str) -> float:
    """Return how long a page takes. [s]"""
    begin = time.perf_counter()
    answer = phone.ask("GET", path)
    assert answer.status == 200, answer.status
    return time.perf_counter() - begin


def after_a_move(phone: Client, name: str) -> float:
    """Move a spool, and return how long the shelf takes then. [s]"""
    page: Page = phone.get(f"/s/{name}").page
    form = page.form("move")
    body = urlencode({**form.fields, "place": form.buttons[0][1]}).encode()
    assert phone.ask("POST", "/note", body).status == 303
    return timed(phone, "/")


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--spools", type=int, default=200)
    parser.add_argument("--members", type=int, default=64)
    parser.add_argument("--rate", type=float, default=200.0, help="requests a second")
    parser.add_argument("--seconds", type=float, default=20.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="gcodetool-serve-") as name:
        path = Path(name) / "ledger.sqlite"
        make(path, options.spools)
        env = {
            **os.environ,
            "GCODETOOL_LEDGER": str(path),
            "GCODETOOL_SERVE_SECRET": str(Path(name) / "secret"),
        }
        words = [*GCODETOOL, "spool", "list", "--members", str(options.members)]
        for what in ("first list, everything worked out", "spool list, the whole process"):
            begin, before = time.perf_counter(), os.times()
            subprocess.run(words, env=env, check=True, capture_output=True)
            after = os.times()
            worked = (
                after.children_user + after.children_system - before.children_user - before.children_system
            )
            print(f"{what}: {time.perf_counter() - begin:.2f} s; {worked:.2f} s of processor", flush=True)
        serve = [*GCODETOOL, "serve", "--port", "0", "--members", str(options.members)]
        with subprocess.Popen(serve, env=env, stdout=subprocess.PIPE, text=True) as server:
            assert server.stdout is not None
            port = int(server.stdout.readline().rsplit(":", 1)[1].split("/")[0])
            phone = Client(port)
            print(f"the first page: {1000 * timed(phone, '/'):.0f} ms")
            waits = sorted(timed(phone, "/") for _ in range(UNCHANGED))
            print(
                f"shelf, nothing changed: {1000 * statistics.median(waits):.0f} ms, {1000 * waits[-1]:.0f} at most"
            )
            moves = sorted(after_a_move(phone, f"spool-{number:03d}") for number in range(MOVES))
            print(
                f"shelf after a move: {1000 * statistics.median(moves):.0f} ms, {1000 * moves[-1]:.0f} at most"
            )
            answers: multiprocessing.Queue[list[tuple[int, float]]] = multiprocessing.Queue()
            asking = multiprocessing.Process(target=load, args=(port, options.rate, options.seconds, answers))
            asking.start()
            found = answers.get()
            asking.join()
            spent = sorted(wait for _, wait in found)
            good = sum(status == 200 for status, _ in found)
            print(
                f"{options.rate:g} requests a second for {options.seconds:g} s: {good} of {len(found)} answered, "
                f"median {1000 * statistics.median(spent):.0f} ms, p99 {1000 * spent[int(0.99 * len(spent))]:.0f} ms"
            )
            server.terminate()


if __name__ == "__main__":
    main()
