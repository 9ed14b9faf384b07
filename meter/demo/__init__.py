"""The built-in scenario: an invented ensemble in an invented chapel, with planted faults (``truths``)."""

from __future__ import annotations

from meter.demo.store import Music, prepare

__all__ = ["Music", "prepare"]
