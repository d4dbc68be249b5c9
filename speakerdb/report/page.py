"""The review sheet as one self-contained HTML page."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from speakerdb.charts import saving, theme
from speakerdb.errors import RequestError
from speakerdb.report import sheet as sheets

if TYPE_CHECKING:
    from jinja2 import Environment

    from speakerdb.charts.beside import Renderer
    from speakerdb.library import Database
    from speakerdb.report.sheet import Sheet


TEMPLATES = Path(__file__).parent / "templates"
STRIP_CSS = "strip.css"


@cache
def environment() -> Environment:
    """Templates of this package; everything put into a page is escaped unless it is an SVG of our own drawing."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("speakerdb.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def html(sheet: Sheet) -> str:
    """The page of a sheet."""
    from markupsafe import Markup

    template = environment().get_template("sheet.html.jinja")
    css = "".join(environment().loader.get_source(environment(), name)[0] for name in ("sheet.css", STRIP_CSS))  # type: ignore[union-attr]
    # Vega's serializer escapes all text in an SVG
    pictures: dict[str, Any] = {n: Markup(f.svg) if f.svg else None for n, f in sheet.figures.items()}
    return template.render(
        s=sheet, svg=pictures, palette=Markup(theme.css()), style=Markup(css), font=Markup(theme.FONT)
    )


def report(
    base: Database,
    speaker: str,
    path: str | Path,
    *,
    setting: str | None = None,
    exact: bool = False,
    renderer: Renderer | None = None,
) -> Path:
    """Write the review sheet of a speaker. renderer: of its pictures, where one runs already.

    Raises UnknownNameError, RequestError (another ending than .html, no such folder).
    """
    target = Path(path)
    if target.suffix.lower() not in (".html", ".htm"):
        raise RequestError(f"{target} ends in {target.suffix or 'nothing'}; the review sheet is written as .html")
    if not target.parent.is_dir():
        raise RequestError(f"{target} can't be written: there is no folder {target.parent}")
    saving.write(target, html(sheets.build(base, speaker, setting=setting, exact=exact, renderer=renderer)).encode())
    return target
