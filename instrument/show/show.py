"""The running show: everything started, tended some fifty times a second, and ended; the sound needs none of it."""

from __future__ import annotations

import functools
import gc
import sys
import threading
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from instrument.audio.choice import choose_driver, hears_input
from instrument.audio.device_return import Recovery
from instrument.audio.jack.jack_driver import JackDriver
from instrument.audio.midi_listening import Listening
from instrument.audio.output_channels import outputs_of
from instrument.audio.profile import with_profile
from instrument.common.periodic_thread import TENDING, raised_priority
from instrument.engine.engine import panic_event
from instrument.engine.memory.allocation import allocate
from instrument.engine.memory.layout import RING_COMMAND
from instrument.engine.memory.views import counters
from instrument.midi.event_feed import PerformanceFeeder
from instrument.midi.files.performance import read_performance
from instrument.midi.message_decoder import MidiError
from instrument.patch.patch_drawings import USUAL_RATE, close_reader
from instrument.patch.set_list_file import patches_named
from instrument.repertoire.controls_file import use_controls_file
from instrument.repertoire.loading import read_patch
from instrument.repertoire.set_list import SetList
from instrument.show.ending import BOUND, Ending, ended_by_signals
from instrument.show.fault_log import GOES_ON, FaultLog
from instrument.show.opening_performance import OpeningPerformance
from instrument.show.show_options import remembered_ports
from instrument.show.underflows import Underflows
from instrument.show.window_process import WindowProcess
from instrument.takes.recorder_client import END_SECONDS, RecordedEngine
from instrument.workbench.learning import Learning
from instrument.workbench.requests import ALIVE
from instrument.workbench.take_control import TakeControl
from instrument.workbench.workbench import Workbench

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from instrument.audio.choice import Choice
    from instrument.audio.driver import Driver
    from instrument.show.show_options import ShowOptions

TICK_SECONDS = 0.02
"""Time between two passes of the show's loop: a key in the window acts, and a saved file is seen, within this."""

POLL_SECONDS = 0.2
"""Time between two polls of device, ports, recorder and the window's life."""

STANDSTILL_SECONDS = 2.0
"""Time between two polls from which the process counts as having stood still: suspended, or kept from running."""

SWITCH_SECONDS = 0.0005
"""Time after which a thread that computes lets the MIDI thread have Python's lock."""

FIRST_BLOCK_SECONDS = 5.0
"""Time that a device has for its first block, where a show is to end sooner than that."""


def run_show(options: ShowOptions, say: Callable[[str], None]) -> int:
    """Play until the time is up, a signal comes, or the window asks for the end.

    Parameters
    ----------
    options : ShowOptions
    say : callable
        Takes one sentence for the performer.

    Returns
    -------
    int
        0, or 1 if something that was asked for cannot be used; why has been said.
    """
    over = threading.Event()
    try:
        with ended_by_signals(over), quiet_python(), Ending(over, say) as ending:
            Show(options, say, ending).run()
    except (ValueError, OSError) as error:
        say(str(error))
        return 1
    return 0


class Show:
    """One performance: its parts in the order in which they start, and the loop that tends them.

    The loop runs in the main thread and never waits for anybody; what takes long is done by other processes. Only at the
    end is there any waiting, and each part has a bound of its own (`Ending`).

    Parameters
    ----------
    options : ShowOptions
    say : callable
    ending : Ending
        Takes on what is to be ended, the newest first.
    """

    def __init__(self, options: ShowOptions, say: Callable[[str], None], ending: Ending) -> None:
        self._options = options
        self._say = say
        self._ending = ending
        self._over = ending.over
        self._window: WindowProcess | None = None
        self._trouble = ""
        self._device_trouble = ""
        self._faults = FaultLog()
        self._opening: OpeningPerformance | None = None

    def run(self) -> None:
        """Start everything, tend it, and return when it is over.

        Raises
        ------
        ValueError, OSError
            If something that was asked for cannot be used.
        """
        self._ending.then("the log of faults", self._faults.close)
        self._prepare()
        with raised_priority(TENDING):
            self._start()
            self._loop()

    def _prepare(self) -> None:
        options = self._options
        if not options.patches:
            raise ValueError("there is no patch to play; name a patch file.")
        if options.controls is not None:
            use_controls_file(options.controls)
        # Before a device is opened: a patch that is refused ends the command in silence.
        expected = options.rate or USUAL_RATE
        patches = [read_patch(path, expected) for named in options.patches for path in patches_named(named)]
        self._hears_input = any(hears_input(patch.program) for patch in patches)
        choice = choose_driver(
            options.audio,
            options.rate,
            options.block,
            options.input,
            hears=self._hears_input,
            outputs=outputs_of(options.outputs),
        )
        choice = self._corrected(choice)
        # Only now is the rate known that drawings are fitted to.
        patches = [read_patch(p.path, choice.rate) if p.rate not in {None, choice.rate} else p for p in patches]
        close_reader()
        events = read_performance(options.perform, choice.rate, self._say) if options.perform else []
        memory = allocate(choice.rate, shared=True)
        # A device that has been left behind may still write to it.
        self._ending.then("the memory", memory.close, after_others_hang=memory.unlink)
        self._engine = RecordedEngine(choice.rate, memory)
        self._recording = TakeControl(self._engine, options.record, options.keep, options.tags, self._say)
        self._ending.then("the recording", self._recording.close, END_SECONDS + BOUND)
        self._set_list = SetList(self._engine, patches, self._say)
        self._recording.follow(self._set_list)
        self._ending.then("the reading of patches", self._set_list.close)
        self._set_list.begin()
        self._performance = PerformanceFeeder(self._engine, events) if events else None
        self._driver: Driver = choice.open(self._engine)
        self._ending.then("the sound device", self._close_driver)
        # The guide corrects by what it is told.
        corrected = None if options.guide is not None else self._corrected
        self._recovery = Recovery(self._engine, choice, corrected)
        self._ending.then("the search for a device", self._recovery.close)
        if choice.trouble:
            self._complain(choice.trouble)
        self._tell_block()
        self._midi = self._listen(remembered_ports(options.patches, patches))
        self._learning = Learning(self._engine, lambda: self._set_list.current, self._do, self._say)
        # Behind all that it holds on to, and so closed before them: recovery files are written first.
        self._bench = Workbench(
            self._engine,
            self._set_list,
            self._recording,
            self._learning,
            self._over,
            self._say,
            self._complain,
        )
        self._ending.then("the workbench", self._bench.close)

    def _corrected(self, choice: Choice) -> Choice:
        if self._options.guide is not None:
            return self._options.guide.corrected(choice)
        return with_profile(choice, self._say, self._complain) if self._options.profile else choice

    def _tell_block(self) -> None:
        asked = self._options.block
        if asked is not None and isinstance(self._driver, JackDriver) and asked != self._driver.block:
            self._say(f"{self._driver.name} plays in its own blocks of {self._driver.block} frames.")

    def _listen(self, remembered: list[str]) -> Listening | None:
        names = list(self._options.midi)
        try:
            listening = Listening(self._engine, names, self._driver, self._block_seconds, remembered)
        except MidiError as error:
            if names:
                raise
            self._complain(str(error))
            return None
        self._ending.then("MIDI", listening.close)
        listening.feedback.on = lambda: self._options.feedback and self._set_list.current.feedback
        return listening

    def _close_driver(self) -> None:
        # The one that plays in the end, which may not be the one that began.
        self._driver.close()

    def _block_seconds(self) -> float:
        return self._driver.block / self._engine.rate

    def _start(self) -> None:
        # Imported modules and compiled code stay; looking through them for garbage would hold every thread up.
        gc.freeze()
        # Before the first block, so that the take of a whole show begins with its first sample.
        self._recording.begin()
        self._driver.start()
        for refused in self._midi.start() if self._midi is not None else ():
            self._complain(refused)
        if self._performance is not None:
            self._bench.perform(self._performance)
        elif self._options.opening:
            again = functools.partial(self._set_list.step, 0)
            # What the opening performance moves is no change that has to be saved.
            self._set_list.self_playing = True
            self._opening = OpeningPerformance(self._engine, lambda: self._set_list.current.path, again)
        self._began = time.monotonic()
        if self._options.seconds is not None:
            # For a loop that hangs in a library, and does not see that its time is up.
            self._ending.no_later_than(self._options.seconds + FIRST_BLOCK_SECONDS)
        self._say(f"playing {self._set_list.current.title} through {self._driver.name}, {self._engine.rate:g} Hz")
        if (guide := self._options.guide) is not None:
            guide.begin(self._engine, self._set_list, self._driver, self._over)
            self._ending.then("the guide", guide.close)
        self._underflows = Underflows(lambda: int(counters(self._engine.record)["underflows"]))
        if not self._options.window:
            # Nobody goes on working who only lets it play for a while, to time it or to hear it.
            if self._options.seconds is None:
                self._bench.tell_recovery()
            self._ending.then("the count of underflows", lambda: self._tell_underflows(self._underflows.end()))
        else:
            window = WindowProcess(self._engine.memory.name, self._engine.rate)
            self._ending.then("the window", window.close)
            window.start()
            self._window = window
            self._send_state()

    def _loop(self) -> None:
        poll_again = 0.0
        self._polled = time.monotonic()
        while not self._over.is_set() and not self._time_is_up():
            # Whatever brings news makes the state to be sent once, at the end of the pass.
            news = [self._do(request) for request in (self._window.requests() if self._window else ())]
            news.append(self._poll_files())
            self._recording.send_on()
            if self._options.guide is not None:
                self._options.guide.poll(self._driver)
            self._bench.quit_prompt.poll()
            news.append(self._learning.poll())
            if self._opening is not None and self._set_list.self_playing:
                self._opening.poll()
                if not self._opening.acts:
                    self._set_list.end_self_playing()
            now = time.monotonic()
            if now >= poll_again:
                poll_again = now + POLL_SECONDS
                self._poll()
                news.append(True)
            if any(news):
                self._send_state()
            self._over.wait(TICK_SECONDS)

    def _time_is_up(self) -> bool:
        seconds = self._options.seconds
        if seconds is None:
            return False
        played = time.monotonic() - self._began
        # However short the time, something is played.
        first = int(counters(self._engine.record)["callbacks"]) > 0 or played > FIRST_BLOCK_SECONDS
        return first and played >= seconds

    def _poll(self) -> None:
        # The monotonic clock goes on while a process is stopped, and cannot be set.
        before, self._polled = self._polled, time.monotonic()
        if (stood := self._polled - before) >= STANDSTILL_SECONDS:
            self._complain(f"everything stood still for {stood:.1f} s (suspended, or no time to run)", GOES_ON)
        self._poll_device()
        self._poll_ports()
        self._poll_recording()
        if not self._options.window:  # which has them on its strip
            self._tell_underflows(self._underflows.poll())
        self._bench.poll(time.monotonic())
        self._poll_window()

    def _poll_window(self) -> None:
        needed = self._bench.quit_prompt.question is not None
        if self._window is not None and (ended := self._window.restart_if_ended(needed=needed)):
            # A key held on its keyboard can no longer be let go of there.
            self._engine.push(panic_event(), RING_COMMAND)
            self._say(ended)
            self._faults.note(ended)

    def _poll_device(self) -> None:
        change = self._recovery.poll(self._driver, self._midi)
        if change is not None:
            self._driver = change.driver
            self._complain(change.cause, change.done)
            if not change.lost:
                self._trouble = ""
            self._device_trouble = change.driver.trouble
        elif (trouble := self._driver.trouble) != self._device_trouble:
            self._device_trouble = trouble
            if trouble:
                self._complain(trouble)

    def _tell_underflows(self, told: str) -> None:
        if told:
            self._say(f"{told}.")
            self._faults.note(told)

    def _poll_ports(self) -> None:
        changes = self._midi.poll() if self._midi is not None else []
        for change in changes:
            self._say(change)
            self._faults.note(change)

    def _poll_recording(self) -> None:
        trouble = self._recording.poll()
        if trouble:
            self._trouble = trouble
            self._faults.note(trouble)

    def _poll_files(self) -> bool:
        before = self._set_list.trouble
        if not self._set_list.poll():
            return False
        now = self._set_list.trouble
        if now and now != before:
            self._trouble = now
            self._faults.note(now, "what played before plays on")
        elif not now and self._trouble == before:
            self._trouble = ""
        self._check_input()
        return True

    def _check_input(self) -> None:
        # A patch that is saved again may begin to hear what was not opened, and opening it would stop the sound.
        hears = hears_input(self._set_list.current.program)
        if hears and not self._hears_input and not self._driver.input_channels and self._options.input is None:
            self._complain("this patch takes from the live input, which is not open: start again to hear it.")
        self._hears_input = hears

    def _do(self, request: dict[str, Any]) -> bool:
        do = request["do"]
        if self._opening is not None and do not in {"next", "previous", ALIVE}:
            self._opening.end()
        # Anything that is done clears what was in sight, save for a window that only says that it is alive.
        before = self._trouble, self._set_list.trouble
        self._trouble = self._set_list.trouble = ""
        if not self._bench.do(request):
            self._trouble, self._set_list.trouble = before
            return False
        if self._set_list.trouble and not self._trouble:
            self._trouble = self._set_list.trouble
            self._faults.note(self._trouble)
        self._poll_recording()
        return True

    def _complain(self, cause: str, done: str = "") -> None:
        self._trouble = f"{cause}: {done}." if done else cause
        self._say(self._trouble)
        self._faults.note(cause, done or GOES_ON)

    @property
    def state(self) -> dict[str, Any]:
        """State of the whole show, as the window is told it."""
        return {
            **self._bench.state,
            "device": self._driver.described,
            "latency": self._driver.latency,
            "midi": self._midi.names if self._midi is not None else [],
            "ports": self._midi.numbers if self._midi is not None else [],
            "trouble": self._trouble or self._device_trouble,
            "faults": self._faults.lines,
            **self._recording.state,
            **self._learning.state,
        }

    def _send_state(self) -> None:
        if self._window is not None:
            self._window.show(self.state)


@contextmanager
def quiet_python() -> Iterator[None]:
    """Have threads that compute pass Python's lock on soon, and garbage looked for as before afterwards."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_SECONDS)
    try:
        yield
    finally:
        sys.setswitchinterval(before)
        gc.unfreeze()
