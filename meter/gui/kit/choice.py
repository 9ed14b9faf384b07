"""One entry of a face's menu."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

Setting = float | str | bool


@dataclass(frozen=True)
class Choice:
    """One entry of a face's menu: it sets ``setting`` to ``value``, or calls ``run`` where there is one."""

    heading: str
    words: str
    setting: str = ""
    value: Setting = ""
    run: Callable[[], None] | None = None
