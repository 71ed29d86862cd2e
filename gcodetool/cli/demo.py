"""``demo``: the main job on the sample files, in the folder where one stands."""

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from gcodetool.gcode.program import Program
    from gcodetool.judge.findings import ExaminedJob
    from gcodetool.moisture.record import Spool

AT: Final = "2026-11-25T09:00:00+01:00"  # the morning on which the sample records end
MAIN: Final = ("hose-clips-tpu.gcode", "tpu-05.toml")
OTHERS: Final = (
    ("hose-clips-petg.gcode", "petg-03.toml"),
    ("spacer-rings-pla.gcode", "pla-11.toml"),
    ("drip-manifold-pa.gcode", "pa6-07.toml"),
    ("hose-clips-tpu.gcode", "tpu-02.toml"),
)
OUTPUT: Final = "demo-hose-clips-tpu.prepared.gcode"


@click.command(epilog="Example: gcodetool demo")
def demo() -> int:
    """Run the main job on sample files; writes one annotated file into this folder."""
    from gcodetool.block.annotate import PrepareOptions, annotate, write
    from gcodetool.report.as_text import print_report

    click.echo(
        f"A workshop's shelf on {AT[:10]}; first job: {MAIN[0]} on spool {MAIN[1].removesuffix('.toml')}"
    )
    click.echo()
    program, spool, examined = sample(*MAIN)
    print_report(examined.findings, sys.stdout)
    done = annotate(program, examined, [spool], options=PrepareOptions())
    write(program, done, Path(OUTPUT))
    click.echo()
    click.echo("The other jobs of the morning:")
    for job, record in OTHERS:
        _, _, other = sample(job, record)
        found = other.findings
        click.echo(
            f"  {job:<24} {record.removesuffix('.toml'):<9} {found.verdict:<10} {found.tools[0].verdict.because}"
        )
    click.echo()
    click.echo(f"Wrote {OUTPUT}. Look at:")
    for edit in done.edits:
        first = edit.replacement.split(b"\n", 1)[0].decode()
        click.echo(f"  {first!r}: {edit.reason}")
    click.echo(f"Then: gcodetool spool show {shelf() / MAIN[1]} --at {AT}")
    return 0


def shelf() -> Path:
    """Return the folder of the sample records."""
    from gcodetool.profiles import sample_folder

    return sample_folder() / "shelf"


def sample(job: str, record: str) -> "tuple[Program, Spool, ExaminedJob]":
    """Return one sample job, its spool, and what a check of both finds."""
    from gcodetool.app.examine import examine
    from gcodetool.block.annotate import WATCH
    from gcodetool.gcode.program import read
    from gcodetool.ledger.spoolfile import read_spool

    spool = read_spool(shelf() / record)
    program = read(shelf().parent / job)
    at_s = datetime.fromisoformat(AT).timestamp()
    return program, spool, examine(program, {None: spool}, at_s=at_s, watch_z_mm=WATCH)
