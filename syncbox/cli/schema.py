"""`syncbox schema`: JSON Schemas, with which an editor completes and marks show files."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path(),
    show_default="here",
    help="The folder to write into.",
)
def schema(folder: Path) -> None:
    """Write the JSON Schemas of songs, rig.yaml and setlist.yaml.

    `syncbox guide format` says how an editor finds them.
    """
    from syncbox.errors import UnreadableError
    from syncbox.score.reading.schema import schema_texts

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in schema_texts().items():
            (folder / name).write_text(text, encoding="utf-8")
            click.echo(str(folder / name))
    except OSError as error:
        raise UnreadableError(
            f"cannot write there: {error.strerror}", where=str(folder), hint="name another folder"
        ) from None
