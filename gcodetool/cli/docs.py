"""``docs``: the documentation that came with the installed version."""

import click

from gcodetool.cli.completion import completing


@click.command(epilog="Example: gcodetool docs records")
@click.argument("page", required=False, shell_complete=completing("page"))
@click.option("--path", "as_path", is_flag=True, help="Print where the file lies (without PAGE: the folder).")
def docs(page: str | None, as_path: bool) -> int:
    """Show PAGE of the documentation, or list its pages.

    They came with this version and need no network. The JSON Schemas of what commands print are among them.
    """
    from gcodetool.app.docs import docs_page, docs_pages, docs_text

    if page is not None:
        found = docs_page(page)
        if as_path:
            click.echo(str(found.path))
        else:
            click.echo_via_pager(docs_text(found))
        return 0
    pages = docs_pages()
    if as_path:
        click.echo(str(pages[0].path.parent))
        return 0
    width = max(len(each.name) for each in pages)
    for each in pages:
        click.echo(f"{each.name:<{width}}  {each.title}")
    return 0
