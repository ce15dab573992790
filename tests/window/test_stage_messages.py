"""The conversation with the stage: one JSON object a line, and its end is noticed."""

import io
import json
import os
import time
from collections.abc import Iterator
from typing import Any

import pytest

from instrument.window.stage_messages import Channel


class Pair:
    """A channel, and the stage's two ends of it."""

    def __init__(self) -> None:
        reading, writing = os.pipe()
        self.stage = os.fdopen(writing, "w")
        self.incoming = os.fdopen(reading)
        self.sent = io.StringIO()
        self.channel = Channel(self.incoming, self.sent)

    def say(self, line: str) -> None:
        self.stage.write(line + "\n")
        self.stage.flush()

    def heard(self) -> list[dict[str, Any]]:
        """Wait for what the channel hears next, or for its end."""
        limit = time.monotonic() + 10
        while time.monotonic() < limit:
            messages = self.channel.messages()
            if messages or self.channel.ended:
                return messages
            time.sleep(0.005)
        raise AssertionError("nothing was heard")


@pytest.fixture
def pair() -> Iterator[Pair]:
    both = Pair()
    yield both
    both.stage.close()
    while not both.channel.ended:
        both.heard()
    both.incoming.close()


def test_what_the_stage_says_is_heard(pair: Pair) -> None:
    pair.say('{"title": "Heron", "midi": []}')
    assert pair.heard() == [{"title": "Heron", "midi": []}]
    assert not pair.channel.ended


@pytest.mark.parametrize("line", ["{", "[1, 2]", '"word"', "\udcff".encode("utf-8", "replace").decode()])
def test_a_line_that_is_no_object_is_said_to_be_trouble(pair: Pair, line: str) -> None:
    pair.say(line)
    (message,) = pair.heard()
    assert message["trouble"].startswith("The stage sent a line that is not a JSON object")


def test_an_empty_line_says_nothing(pair: Pair) -> None:
    pair.say("")
    pair.say('{"trouble": ""}')
    assert pair.heard() == [{"trouble": ""}]


def test_the_end_of_the_stage_is_noticed(pair: Pair) -> None:
    pair.stage.close()
    assert pair.heard() == []
    assert pair.channel.ended


def test_a_command_is_one_line(pair: Pair) -> None:
    pair.channel.send("next")
    assert pair.sent.getvalue().endswith("\n")
    assert json.loads(pair.sent.getvalue()) == {"do": "next"}


def test_nobody_listening_is_the_end(pair: Pair) -> None:
    pair.sent.close()
    pair.channel.send("next")
    assert pair.channel.ended
