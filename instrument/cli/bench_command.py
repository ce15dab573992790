"""`beamhand bench`: what the audio callback costs on this machine."""

from __future__ import annotations

import json

from instrument.cli.command_options import Json
from instrument.cli.messages import answer


def bench(as_json: Json = False) -> None:
    """Measure what the callback costs on this machine."""
    from instrument.engine.compiling.warm import warm

    warm()
    from instrument.measure.callback_cost import measure_cost

    cost = measure_cost()
    if as_json:
        answer(json.dumps(cost.as_dict()))
        return
    answer(cost.in_words())
