"""`beamhand calibrate`: what the display behind an audio device needs, adjusted by a guide or by values."""

from __future__ import annotations

import json
import sys
from typing import Annotated

import typer

from instrument.cli.command_options import Audio, Json, OwnBlock, Rate
from instrument.cli.messages import answer, say

_VALUES = "Values, which are kept without playing"

Number = str | None
Switch = bool | None


def _value(flag: str, text: str) -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(flag, help=text, metavar="N", rich_help_panel=_VALUES)
    return option


def _switch(flag: str, text: str) -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(f"{flag}/--no-{flag[2:]}", help=text, rich_help_panel=_VALUES)
    return option


def calibrate(
    audio: Audio = None,
    rate: Rate = None,
    block: OwnBlock = None,
    no_window: Annotated[bool, typer.Option("--no-window", help="Guide without a window.")] = False,
    gain_x: Annotated[Number, _value("--gain-x", "Width, 0 to 4.")] = None,
    gain_y: Annotated[Number, _value("--gain-y", "Height, 0 to 4.")] = None,
    offset_x: Annotated[Number, _value("--offset-x", "To the right, -1 to 1 of full scale.")] = None,
    offset_y: Annotated[Number, _value("--offset-y", "Upwards, -1 to 1 of full scale.")] = None,
    delay_x: Annotated[Number, _value("--delay-x", "Hold the first channel back, microseconds.")] = None,
    delay_y: Annotated[Number, _value("--delay-y", "Hold the second channel back, microseconds.")] = None,
    swap: Annotated[Switch, _switch("--swap", "Exchange the channels.")] = None,
    invert_x: Annotated[Switch, _switch("--invert-x", "Turn the first channel over.")] = None,
    invert_y: Annotated[Switch, _switch("--invert-y", "Turn the second channel over.")] = None,
    show: Annotated[bool, typer.Option("--show", help="Print the device's profile.")] = False,
    every: Annotated[bool, typer.Option("--list", help="Print all profiles.")] = False,
    forget: Annotated[bool, typer.Option("--forget", help="Take the device's profile away.")] = False,
    as_json: Json = False,
) -> None:
    """Adjust what the display behind a device needs, by test pictures, and keep it for that device.

    A guide without further options; values alone are kept at once. `--audio` names the device, as for `play`.
    """
    given = {
        "gain.x": gain_x,
        "gain.y": gain_y,
        "offset.x": offset_x,
        "offset.y": offset_y,
        "delay.x": delay_x,
        "delay.y": delay_y,
        "swap": swap,
        "invert.x": invert_x,
        "invert.y": invert_y,
    }
    changes = {name: value for name, value in given.items() if value is not None}
    if sum((show, every, forget, bool(changes))) > 1:
        raise typer.BadParameter("choose one of values, --show, --list and --forget", param_hint="calibrate")
    if as_json and not (show or every):
        raise typer.BadParameter("it goes with --show and --list", param_hint="--json")
    if every:
        _list(as_json=as_json)
    elif show:
        _show(audio, as_json=as_json)
    elif forget:
        _forget(audio)
    elif changes:
        _keep(audio, changes)
    else:
        _guide(audio, rate, block, window=not no_window)


def _name(audio: str | None) -> str:
    # A part of a name means a device that is there before the profile of another; but a profile may be asked after while
    # its device is not there.
    from instrument.audio.choice import choose_driver
    from instrument.audio.driver import DeviceError
    from instrument.audio.profile import all_profiles, profile_name, saved_name

    if audio in {name for name, _ in all_profiles()[0]}:
        return str(audio)
    try:
        return profile_name(choose_driver(audio, None, None).device)
    except DeviceError:
        if (saved := saved_name(audio or "")) is None:
            raise
        return saved


def _list(*, as_json: bool) -> None:
    from instrument.audio.profile import all_profiles

    profiles, troubles = all_profiles()
    for name, correction in profiles:
        values = {"device": name, **correction.as_dict()}
        answer(json.dumps(values) if as_json else f"{name}: {correction.in_words()}")
    for trouble in troubles:
        say(f"beamhand: {trouble}")
    if not profiles and not troubles:
        say("no device has a profile yet; beamhand calibrate makes one")
    if troubles:
        raise typer.Exit(1)


def _show(audio: str | None, *, as_json: bool) -> None:
    from instrument.audio.profile import load_profile

    name = _name(audio)
    correction = load_profile(name)
    if correction is None:
        raise ValueError(f"{name} has no profile; make one with beamhand calibrate.")
    answer(json.dumps({"device": name, **correction.as_dict()}) if as_json else f"{name}: {correction.in_words()}")


def _forget(audio: str | None) -> None:
    from instrument.audio.profile import forget_profile

    name = _name(audio)
    if not forget_profile(name):
        raise ValueError(f"{name} has no profile to forget.")
    say(f"{name}: forgotten; it is played uncorrected")


def _keep(audio: str | None, changes: dict[str, str | bool]) -> None:
    from instrument.audio.correction_table import Correction
    from instrument.audio.profile import load_profile, save_profile

    name = _name(audio)
    correction = (load_profile(name) or Correction()).with_values(changes)
    path = save_profile(name, correction)
    for sentence in correction.cut_off():
        say(sentence)
    say(f"{path}: {name}: {correction.in_words()}")


def _guide(audio: str | None, rate: float | None, block: int | None, *, window: bool) -> None:
    from instrument.cli.first_compilation import compile_for_playing

    compile_for_playing(window=window)
    from instrument.audio.bounded_calls import end_process
    from instrument.show.calibration_guide import CalibrationGuide
    from instrument.show.show import run_show
    from instrument.show.show_options import ShowOptions

    if sys.stdin is None:
        raise ValueError("the guide reads what is typed, and nothing can be; set values by options (--help).")
    guide = CalibrationGuide(sys.stdin, say)
    if not guide.ready():
        return
    options = ShowOptions(
        patches=guide.patches,
        audio=audio,
        rate=rate,
        block=block,
        window=window,
        guide=guide,
    )
    status = run_show(options, say)
    end_process(status)
    if status:
        raise typer.Exit(1)
