"""``review``: one job on one page, to look at before it starts."""

from pathlib import Path
from typing import Any

import click

from gcodetool.cli.job import reason, tell, words_of_call
from gcodetool.cli.options import job_options, page_path, parse_spool_words


@click.command(
    epilog="Example: gcodetool review manifold.gcode --spool pa6-07.toml --printer bench-1 -o manifold.html. "
    "Open it in any browser; it needs no network. Exit code: 0, or 1 an error, 2 misuse."
)
@job_options
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE.html",
    required=True,
    help="Write the page to FILE.html; an existing one is replaced.",
)
def review(job: Path, output: Path, **options: Any) -> int:
    """Write a page about JOB: the verdict, where in the part, and why.

    One file that loads nothing from elsewhere, for screen and paper.
    """
    from gcodetool.app.review import review as write_page
    from gcodetool.cli.progress import reading

    page_path(output)
    seen = write_page(
        job,
        parse_spool_words(options["spools"]),
        output=output,
        reading=reading,
        **words_of_call(options),
    )
    tell(seen.notes)
    click.echo(f"{seen.findings.verdict}: {reason(seen.findings)}")
    click.echo(f"wrote {output}")
    return 0
