"""``watch``: a folder whose new files are checked, or prepared into another one."""

import contextlib
import json
import queue
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from gcodetool.cli.job import misfits, reason, tell, words_of_call
from gcodetool.cli.options import json_option, parse_spool_words, question_options
from gcodetool.cli.output import say_json
from gcodetool.errors import UsageError

if TYPE_CHECKING:
    from gcodetool.app.watch import Arrivals, FileAnswer

LOOK_S: Final = 0.5  # between two looks at what has become complete
ALL_S: Final = 10.0  # between two looks at the whole folder: news get lost on network drives
CLOSES: Final = sys.platform == "linux"  # the system tells when a writer has closed a file
News = tuple[str, Path]


@click.command(
    epilog="Example: gcodetool watch exports/ --out ready/ --printer bench-1. It ends with Ctrl-C; exit code 0 with "
    "--once, else 130."
)
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR2",
    help="Prepare each file into DIR2; else only check it.",
)
@click.option("--once", is_flag=True, help="Do what is there and complete, then end.")
@click.option(
    "--done",
    "done_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Where it is kept what was done, so that a restart repeats nothing; left out: in your own folder.",
)
@click.option("--no-tweaks", is_flag=True, help="Suggest no settings.")
@question_options
@json_option("Print one JSON object a file, each on a line of its own (docs/report.schema.json).")
def watch(
    folder: Path,
    out: Path | None,
    once: bool,
    done_path: Path | None,
    no_tweaks: bool,
    as_json: bool,
    **options: Any,
) -> int:
    """Check what appears in DIR, or prepare it into DIR2.

    For hosts and printers whose slicer runs no step.  A file is taken when it is complete: nobody writes it, and it
    stayed as it is for two seconds.  The original is never touched.
    """
    from gcodetool.app import watch as folder_watch
    from gcodetool.block.annotate import PrepareOptions

    folder_watch.check_folders(folder, out)
    spools = parse_spool_words(options.pop("spools"))
    words = words_of_call(options, tweaks=not no_tweaks)
    folder_watch.check_names(spools, words)
    done = folder_watch.DoneFile(done_path or folder_watch.done_file(folder, out))
    arrivals = folder_watch.Arrivals()

    def answering(path: Path) -> "FileAnswer | None":
        return folder_watch.answer(path, spools, words, out, PrepareOptions())

    with news_of(folder, wanted=not once) as news:
        looked_s, answers = -ALL_S, 0
        while True:
            now_s = time.monotonic()
            if now_s - looked_s >= ALL_S:
                looked_s = now_s
                for path in sorted(folder.iterdir()):
                    arrivals.seen(path, now_s)
            take(news, arrivals)
            for found in folder_watch.work(arrivals, done, time.monotonic(), answering):
                answers += 1
                say(found, as_json=as_json)
                sys.stdout.flush()  # who reads it waits for it
            if once and not arrivals.waiting:
                if not answers:
                    click.echo(f"gcodetool: {folder_watch.nothing_done(folder, done)}", err=True)
                return 0


@contextlib.contextmanager
def news_of(folder: Path, *, wanted: bool) -> Iterator["queue.Queue[News]"]:
    """Give what happens to files of a folder, as it happens; nothing where no news are *wanted*.

    Raises
    ------
    UsageError
        The library for it is not installed.
    """
    news: queue.Queue[News] = queue.Queue()
    if not wanted:
        yield news
        return
    try:
        from watchdog.events import FileSystemEvent, FileSystemEventHandler
        from watchdog.observers import Observer
    except ImportError:
        raise UsageError(
            "watch needs the 'watch' extra; install it: pip install 'gcodetool[watch]', or do what is there now with --once"
        ) from None

    class Telling(FileSystemEventHandler):
        def on_any_event(self, event: FileSystemEvent) -> None:
            kind, path = str(event.event_type), Path(str(event.src_path))
            if kind == "moved":
                news.put(("deleted", path))
                kind, path = "closed", Path(str(event.dest_path))
            news.put((kind, path))

    observer = Observer()
    observer.schedule(Telling(), str(folder))
    observer.start()
    try:
        yield news
    finally:
        observer.stop()
        observer.join()


def take(news: "queue.Queue[News]", arrivals: "Arrivals") -> None:
    """Wait a moment for news, then pass on all that there are."""
    with contextlib.suppress(queue.Empty):
        kind, path = news.get(timeout=LOOK_S)
        while True:
            hear(arrivals, kind, path)
            kind, path = news.get_nowait()


def hear(arrivals: "Arrivals", kind: str, path: Path) -> None:
    """Tell *arrivals* one thing that happened."""
    from gcodetool.app.watch import sign_of

    now_s = time.monotonic()
    if kind == "deleted" or sign_of(path) is None:
        arrivals.gone(path)
    elif kind == "modified" and CLOSES:
        arrivals.opened(path, now_s)
    elif kind == "closed":
        arrivals.closed(path, now_s)
    else:
        arrivals.seen(path, now_s)


def say(found: "FileAnswer", *, as_json: bool) -> None:
    """Print the answer to one file."""
    more = () if found.findings is None or as_json else misfits(found.findings)
    tell(f"{found.path.name}: {note}" for note in (*found.notes, *more))
    if found.findings is None:
        click.echo(f"gcodetool: {found.error}", err=True)
        return
    if as_json:
        from gcodetool.report.as_json import to_json

        say_json(json.dumps(json.loads(to_json(found.findings))))
        return
    where = "" if found.target is None else f"; wrote {found.target}"
    click.echo(f"{found.path.name}: {found.findings.verdict}: {reason(found.findings)}{where}")
