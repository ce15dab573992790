"""Guided adjustment of a display: test picture after test picture, values by typed lines, while the sound goes on.

The steps are a table: which test picture, what the real display should show, and which quantities change it.
"""

from __future__ import annotations

import queue
import threading
from dataclasses import dataclass, field, replace
from typing import IO, TYPE_CHECKING

from instrument.audio.correction_table import INDEX, Correction, quantity_named
from instrument.audio.profile import load_profile, profile_name, save_profile
from instrument.engine.memory.views import set_position
from instrument.patch.factory import factory_set
from instrument.patch.patch_errors import PatchError, did_you_mean
from instrument.patch.set_list_file import patches_named

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from instrument.audio.choice import Choice
    from instrument.audio.driver import Driver
    from instrument.engine.engine import Engine
    from instrument.repertoire.set_list import SetList

CAUTIONS = (
    "Before you begin, once:\n"
    "- Ears: the test pictures are loud, and one is a piercing 2 kHz. Volume down, no headphones.\n"
    "- Loudspeakers: disconnect the PA. What is moved off centre is direct voltage, which overheats coils.\n"
    "- Screens: turn the intensity down. A standing spot burns in; the dot here never rests, and you should not let it.\n"
    "- High voltage: old tubes keep it long after they are off. Leave sets closed and use the inputs they have.\n"
    "Local codes and licensed people go before anything said here."
)


@dataclass(frozen=True)
class Step:
    """Step of the guide: a test picture, and what it is for.

    Attributes
    ----------
    patch : str
        Stem of the test picture's file.
    title : str
    advice : str
        One sentence on what the display should show, and what changes it if it does not.
    adjusts : tuple of str
        Names of the quantities that this picture is for.
    values : mapping of str to float
        Parameters of the patch that are other than in its file.
    """

    patch: str
    title: str
    advice: str
    adjusts: tuple[str, ...] = ()
    values: Mapping[str, float] = field(default_factory=dict)


FAST = 2000.0
"""Hertz of the circle that shows delays: 10 us lean it by 7.2 degrees. Where an ellipse cuts its own axis, divided by how far
it reaches, is the sine of the phase between the channels (Lissajous figures, common practice, no source)."""

STEPS = (
    Step(
        "ident",
        "Channel ident",
        "The arrow marked L points right and the one marked R points up: if they have changed places, swap; if an arrow "
        "points the wrong way and its letter is mirrored, turn that channel over.",
        ("swap", "invert.x", "invert.y"),
    ),
    Step(
        "dot",
        "Centre dot",
        "The dot circles round the middle of the screen: move it there (first by the display's own position knobs).",
        ("offset.x", "offset.y"),
    ),
    Step(
        "circle",
        "Circle",
        "The circle is as wide as it is high and no part is cut off: lower the gain of the direction that is too long.",
        ("gain.x", "gain.y"),
    ),
    Step(
        "circle",
        "Fast circle",
        "The circle, now at 2 kHz, does not lean: if it is slanted, hold back one channel and then the other until it is "
        "round (an ellipse that stays upright is the display's bandwidth).",
        ("delay.x", "delay.y"),
        {"layer.1.pen.frequency": FAST},
    ),
    Step(
        "steps",
        "Diagonal steps",
        "The steps rise to the right below their diagonal, treads level and risers upright, corners sharp: corners cut off "
        "on one side are a delay left.",
        ("swap", "invert.x", "invert.y", "delay.x", "delay.y"),
    ),
    Step(
        "square",
        "Square",
        "The sides are straight: if they sag or drift, the sound interface or the display blocks direct voltage (choose a "
        "DC-coupled input or output), which no value here mends.",
    ),
    Step(
        "hatch",
        "Cross-hatch",
        "All squares are as large and all nine lines are on the screen each way: make the picture smaller if some are not.",
        ("gain.x", "gain.y", "offset.x", "offset.y"),
    ),
    Step(
        "ladder",
        "Level ladder",
        "Each square is half as large as the one around it, and the outermost, 0.9 of full scale, is whole on the screen.",
        ("gain.x", "gain.y"),
    ),
)

HELP = """\
Enter, next     the next picture; after the last one: save and end
back            the picture before
gain.x 0.95     set a value (also gx 0.95, gx 19/20); swap on, swap off, or swap alone to change it over
gx +   gx ---   a step up; three steps down
undo, redo      take back, and bring back, what was changed
compare         show the display without any correction, and again with it
show            all values
save            keep the profile and end
quit            end without keeping it
The window, if there is one, shows what the display should show, uncorrected. Its keys for the next and the previous patch
change the picture here too; knobs of a controller move the test picture itself, never what is kept."""


class CalibrationGuide:
    """Guide through the test pictures, which keeps what was adjusted in the profile of the device.

    Parameters
    ----------
    said : text stream
        Lines that are typed; its end ends the guide and saves nothing.
    say : callable
        Takes text for the person before the display.
    folder : Path, optional
        Of the profiles.

    Attributes
    ----------
    index : int
        Of the step, from 0.
    saved : Path or None
        File of the profile, once it has been kept.

    Notes
    -----
    Its command calls `ready` first. The show calls `corrected`, `begin` and then `poll` some fifty times a second, all from the
    thread that owns the device and the set list.
    """

    def __init__(
        self,
        said: IO[str],
        say: Callable[[str], None],
        folder: Path | None = None,
    ) -> None:
        self._input = said
        self._say = say
        self._folder = folder
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._name = ""
        self._profile = Correction()
        self._history = [Correction()]
        self._position = 0
        self._bypassed = False
        self._leaving = False
        self._waiting = True
        self._over: threading.Event | None = None
        self.index = 0
        self.saved: Path | None = None

    @property
    def correction(self) -> Correction:
        """Correction as it is adjusted by now."""
        return self._history[self._position]

    @property
    def patches(self) -> tuple[Path, ...]:
        """Files of the test pictures, one for each step."""
        files = {path.stem: path for path in patches_named(factory_set("calibration"))}
        return tuple(files[step.patch] for step in STEPS)

    def ready(self) -> bool:
        """Say what is dangerous before any sound, and return whether to begin."""
        self._say(CAUTIONS)
        self._say("Enter begins; quit ends.")
        line = self._input.readline()
        return bool(line) and line.strip().casefold() != "quit"

    def corrected(self, choice: Choice) -> Choice:
        """Return a choice of device whose correction can be adjusted, and begin with its profile."""
        self._name = profile_name(choice.device)
        try:
            self._profile = load_profile(self._name, self._folder) or Correction()
        except (PatchError, OSError) as error:
            self._say(f"{error} The guide begins without it, and replaces it when you save.")
        self._history = [self._profile]
        return replace(choice, outputs=replace(choice.outputs, correction=self.correction))

    def begin(self, engine: Engine, set_list: SetList, driver: Driver, over: threading.Event) -> None:
        """Begin with the first picture."""
        self._engine, self._set_list, self._driver, self._over = engine, set_list, driver, over
        self._say(f"This adjusts the display behind {self._name}. Type help for what can be typed.")
        self._show_step()
        threading.Thread(target=self._read_lines, name="guide", daemon=True).start()

    def _read_lines(self) -> None:
        for line in self._input:
            self._lines.put(line.strip())
        self._lines.put(None)

    def poll(self, driver: Driver) -> None:
        """Do what was typed, and follow a picture that was chosen in the window, or a device that is back."""
        if driver is not self._driver:
            self._driver = driver
            self._apply()
        self._follow_window()
        while not self._lines.empty() and self._over is not None and not self._over.is_set():
            line = self._lines.get()
            if line is None:
                self._finish()
                return
            try:
                self._do(line)
            except ValueError as error:
                self._say(str(error))

    def close(self) -> None:
        """Tell of changes that were not saved, however the guide came to its end."""
        if self.saved is None and self.correction != self._profile:
            self._say(f"ended without save, so this is not kept: {self.correction.in_words()}")

    def _follow_window(self) -> None:
        # A picture that was asked for plays with the next block; until then the engine tells of the one before.
        now = set_position(self._engine.record)
        if now == self.index:
            self._waiting = False
        elif not self._waiting and 0 <= now < len(STEPS):
            self.index = now
            self._show_step()

    def _do(self, line: str) -> None:
        words = line.casefold().replace("=", " ").split()
        leaving, self._leaving = self._leaving, False
        if not words or words == ["next"]:
            self._step(1)
        elif words == ["back"]:
            self._step(-1)
        elif words in (["undo"], ["redo"]):
            self._go(-1 if words == ["undo"] else 1)
        elif words == ["compare"]:
            self._bypassed = not self._bypassed
            self._apply()
            self._say("without any correction; compare again for with it" if self._bypassed else "corrected again")
        elif words == ["show"]:
            self._say(f"{self._name}: {self.correction.in_words()}")
        elif words == ["help"]:
            self._say(HELP)
        elif words == ["save"]:
            self._save()
        elif words == ["quit"]:
            self._quit(sure=leaving)
        else:
            self._adjust(words)

    def _adjust(self, words: list[str]) -> None:
        name, value = words[0], " ".join(words[1:])
        # "gain x 0.9" is as good as "gain.x 0.9".
        if name not in INDEX and len(words) > 1 and f"{name}.{words[1]}" in INDEX:
            name, value = f"{name}.{words[1]}", " ".join(words[2:])
        if name not in INDEX:
            known = ["next", "back", "undo", "redo", "compare", "show", "save", "quit", "help", *INDEX]
            raise ValueError(f"{name} is nothing that can be typed here. {did_you_mean(name, known) or 'Try help.'}")
        row = quantity_named(name)
        now = self.correction[row.name]
        if not value and not row.switch:
            self._say(f"{row.shown(now)}: {row.about}")
            return
        # A switch without a value is changed over; a row of signs is so many steps.
        wanted: object = value or not now
        if value and not row.switch and set(value) in ({"+"}, {"-"}):
            steps = len(value) if value[0] == "+" else -len(value)
            wanted = min(max(round(now + steps * row.step, 9), row.low), row.high)
        changed = self.correction.with_value(row.name, wanted)
        if changed != self.correction:
            self._history[self._position + 1 :] = [changed]
            self._position += 1
        self._bypassed = False
        self._apply()
        self._say(row.shown(changed[row.name]))
        for sentence in changed.cut_off():
            self._say(sentence)

    def _go(self, by: int) -> None:
        if not 0 <= self._position + by < len(self._history):
            raise ValueError("there is nothing to take back." if by < 0 else "there is nothing to bring back.")
        self._position += by
        self._bypassed = False
        self._apply()
        self._say(self.correction.in_words())

    def _apply(self) -> None:
        if self._driver.corrector is not None:
            self._driver.corrector.set(Correction() if self._bypassed else self.correction)

    def _step(self, by: int) -> None:
        index = self.index + by
        if index == len(STEPS):
            self._save()
            return
        if index < 0:
            raise ValueError("this is the first picture.")
        self._set_list.go_to(index)
        self.index = index
        self._waiting = True
        self._show_step()

    def _show_step(self) -> None:
        step = STEPS[self.index]
        for address, value in step.values.items():
            self._engine.set(address, value)
        self._say(f"[{self.index + 1}/{len(STEPS)}] {step.title}. {step.advice}")
        rows = [quantity_named(name) for name in step.adjusts]
        if rows:
            self._say("    " + ", ".join(f"{row.shown(self.correction[row.name])} ({row.short})" for row in rows))

    def _save(self) -> None:
        # A disk that is full is no reason to lose what was adjusted.
        try:
            self.saved = save_profile(self._name, self.correction, self._folder)
        except OSError as error:
            raise ValueError(f"the profile cannot be written ({error}); mend that and type save again.") from None
        self._say(f"{self.saved}: {self.correction.in_words()}; beamhand play uses it on {self._name}")
        self._finish()

    def _quit(self, *, sure: bool) -> None:
        if self.correction != self._profile and not sure:
            self._leaving = True
            self._say("what you changed is not kept: type save to keep it, or quit again.")
            return
        self._finish()

    def _finish(self) -> None:
        if self._over is not None:
            self._over.set()
