"""What a new modulator of each kind begins with."""

from __future__ import annotations

from typing import Any

BEGINNINGS: dict[str, dict[str, Any]] = {
    "lfo": {"kind": "lfo", "rate": 0.5},
    "envelope": {"kind": "envelope", "trigger": "note"},
    "curve": {"kind": "curve", "points": [[0, 0], [0.5, 1], [1, 0]], "rate": 0.5},
    "steps": {"kind": "steps", "steps": [0, 1, -1, 0.5], "rate": 1},
    "random": {"kind": "random", "rate": 2},
    "follower": {"kind": "follower", "of": "layer 1"},
    "gesture": {"kind": "gesture", "rate": 0.5},
    "note": {"kind": "note", "value": "velocity"},
    "formula": {"kind": "formula", "formula": "sin(tau*p)", "rate": 0.5},
}
"""A new modulator of each kind, which does something at once."""
