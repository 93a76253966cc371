"""`syncbox guide`: the manual, shown by the program itself, because a venue has no internet."""

from __future__ import annotations

import sys
from importlib import resources

import click

from syncbox.errors import UnreadableError

# In reading order. Every page is a Markdown file of this name in syncbox/guide.
PAGES = (
    "first-song",
    "format",
    "loops",
    "commands",
    "rehearsal",
    "takes",
    "levels",
    "mixes",
    "voice",
    "timecode",
    "following",
    "ports",
    "keys",
    "pedals",
    "page",
    "surviving",
    "spare",
    "trouble",
    "words",
)
WIDTH_MAX = 96  # longer lines are hard to follow


def page_text(page: str) -> str:
    """The Markdown of a page in `PAGES`."""
    return (resources.files("syncbox") / "guide" / f"{page}.md").read_text(encoding="utf-8")


def page_title(page: str) -> str:
    """The page's first line without its mark."""
    return page_text(page).split("\n", 1)[0].lstrip("# ")


@click.command(short_help="Read the manual.")
@click.argument("page", required=False, metavar="[PAGE]")
def guide(page: str | None) -> None:
    """Read the manual, here, with no internet. Without PAGE, list the pages."""
    if page is None:
        width = max(map(len, PAGES))
        click.echo("The manual. `syncbox guide PAGE` shows a page:\n")
        for name in PAGES:
            click.echo(f"  {name:{width}}   {page_title(name)}")
        return
    if page not in PAGES:
        raise UnreadableError(
            f"the manual has no page {page!r}", hint=f"the pages are {', '.join(PAGES)}"
        )
    text = page_text(page)
    if not sys.stdout.isatty():
        click.echo(text, nl=False)
        return
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console()
    console.print(Markdown(text), width=min(console.width, WIDTH_MAX))
