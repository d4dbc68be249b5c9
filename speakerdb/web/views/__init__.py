"""What each page shows: a template and its content, the same for a page on request and for a published file."""

from __future__ import annotations

import dataclasses
from typing import Any


@dataclasses.dataclass(frozen=True)
class View:
    """A template and what it shows."""

    template: str
    content: dict[str, Any] = dataclasses.field(default_factory=dict)
