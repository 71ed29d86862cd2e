"""``demo``: the main job on the sample files, in the folder where one stands."""

import sys
from datetime import datetime
from pathlib import Path
from typing import Final

import click

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
    """Run the main job on sample files.

    It writes one annotated file into this folder.
    """
    import gcodetool
    from gcodetool.report.as_text import print_report

    click.echo(
        f"A workshop's shelf on {AT[:10]}; first job: {MAIN[0]} on spool {MAIN[1].removesuffix('.toml')}"
    )
    click.echo()
    at = datetime.fromisoformat(AT)
    job, record = sample(*MAIN)
    done = gcodetool.prepare(job, record, output=OUTPUT, at=at)
    print_report(done.findings, sys.stdout)
    click.echo()
    click.echo("The other jobs of the morning:")
    for names in OTHERS:
        found = gcodetool.check(*sample(*names), at=at)
        spool = names[1].removesuffix(".toml")
        click.echo(f"  {names[0]:<24} {spool:<9} {found.verdict:<10} {found.tools[0].verdict.because}")
    click.echo()
    click.echo(f"Wrote {OUTPUT}. Look at:")
    for edit in done.insertions.edits if done.insertions is not None else ():
        first = edit.replacement.split(b"\n", 1)[0].decode()
        click.echo(f"  {first!r}: {edit.reason}")
    click.echo(f"Then: gcodetool spool show {record} --at {AT}")
    return 0


def sample(job: str, record: str) -> tuple[Path, Path]:
    """Return the paths of a sample job and of its spool's record."""
    from gcodetool.profiles import sample_folder

    return sample_folder() / job, sample_folder() / "shelf" / record
