"""The review sheet as one self-contained HTML page."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from speakerdb.charts import browser, saving, theme
from speakerdb.errors import RequestError
from speakerdb.report import sheet as sheets

if TYPE_CHECKING:
    from jinja2 import Environment

    from speakerdb.library import Database
    from speakerdb.report.sheet import Sheet


TEMPLATES = Path(__file__).parent / "templates"
SHARED_CSS = "shared.css"  # of sheet and pages


class _Nowhere:
    """The links of a file that stands alone: there is nothing to lead to."""

    static = True

    def __call__(self, path: str, /, **parameters: object) -> str:
        return ""


@cache
def environment() -> Environment:
    """Templates of this package; everything put into a page is escaped but for styles and scripts of our own."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("speakerdb.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def html(base: Database, sheet: Sheet) -> str:
    """The page of a sheet: styles, the library, charts and their data inside, nothing fetched; scripts run by their
    hash."""
    from markupsafe import Markup

    scripts, sources = browser.inside(sheets.charts(base, sheet.slug, sheet.setting))
    style = "".join((TEMPLATES / name).read_text(encoding="utf-8") for name in ("sheet.css", SHARED_CSS))
    return (
        environment()
        .get_template("sheet.html.jinja")
        .render(
            s=sheet,
            link=_Nowhere(),
            palette=Markup(theme.css()),
            style=Markup(style),
            font=Markup(theme.FONT),
            scripts=Markup(scripts),
            sources=Markup(sources),
        )
    )


def report(
    base: Database,
    speaker: str,
    path: str | Path,
    *,
    setting: str | None = None,
    exact: bool = False,
) -> Path:
    """Write the review sheet of a speaker.

    Raises UnknownNameError, RequestError (another ending than .html, no such folder).
    """
    target = Path(path)
    if target.suffix.lower() not in (".html", ".htm"):
        raise RequestError(f"{target} ends in {target.suffix or 'nothing'}; the review sheet is written as .html")
    if not target.parent.is_dir():
        raise RequestError(f"{target} can't be written: there is no folder {target.parent}")
    saving.write(target, html(base, sheets.build(base, speaker, setting=setting, exact=exact)).encode())
    return target
