"""`beamhand play`: patches played live, and the caution of the first start."""

from __future__ import annotations

import gc
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from instrument.cli.command_options import (
    Audio,
    Channels,
    Controls,
    EndAfter,
    Keep,
    Live,
    Midi,
    NoFeedback,
    NoProfile,
    OwnBlock,
    Patches,
    Perform,
    Rate,
    Record,
    Tags,
)
from instrument.cli.messages import say
from instrument.common.user_folders import data_folder

CAUTION = (
    "before you turn it up: begin with the volume down, no headphones; flashing light can trigger seizures; a standing dot "
    "burns a tube, direct voltage a loudspeaker. Local codes and licensed people go before anything said here (README, last "
    "section)."
)


def play(
    patches: Patches = None,
    audio: Audio = None,
    midi: Midi = None,
    live: Live = None,
    outputs: Channels = "xy",
    rate: Rate = None,
    block: OwnBlock = None,
    controls: Controls = None,
    no_feedback: NoFeedback = False,
    no_profile: NoProfile = False,
    no_window: Annotated[bool, typer.Option("--no-window", help="Play without a window.")] = False,
    seconds: EndAfter = None,
    perform: Perform = None,
    record: Record = None,
    keep: Keep = 60.0,
    tags: Tags = None,
) -> None:
    """Play patches: controller in, sound out, picture in a window."""
    # Looking for garbage among what is only being imported is a tenth of a warm start.
    gc.disable()
    from instrument.cli.first_compilation import compile_for_playing

    compile_for_playing(window=not no_window)
    from instrument.audio.bounded_calls import end_process
    from instrument.patch.factory import by_name, factory_set
    from instrument.show.show import run_show
    from instrument.show.show_options import ShowOptions
    from instrument.takes.sound_file import tags_from

    gc.enable()
    options = ShowOptions(
        patches=tuple(map(by_name, patches)) if patches else (factory_set(),),
        audio=audio,
        midi=tuple(midi or ()),
        rate=rate,
        block=block,
        window=not no_window,
        seconds=seconds,
        perform=perform,
        record=record,
        keep=keep,
        tags=tags_from(tags or ()),
        input=live,
        controls=controls,
        feedback=not no_feedback,
        outputs=outputs,
        opening=not patches and perform is None,
        profile=not no_profile,
    )
    if caution := caution_once():
        say(caution)
    status = run_show(options, say)
    end_process(status)
    if status:
        raise typer.Exit(status)


def caution_once(folder: Path | None = None) -> str:
    """Return the caution the first time that it is asked for, and nothing from then on.

    Parameters
    ----------
    folder : Path, optional
        Where it is remembered; by default with the user's data.
    """
    mark = (folder or data_folder()) / "cautioned"
    if mark.exists():
        return ""
    with suppress(OSError):  # where nothing can be remembered it is said again
        mark.parent.mkdir(parents=True, exist_ok=True)
        mark.touch()
    return CAUTION
