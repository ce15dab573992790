"""A desktop's sound without hardware: PipeWire, WirePlumber and null sinks, on a bus of their own."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Callable

SERVER, MANAGER = "pipewire", "wireplumber"

SINK = "Harbour"
"""Description of the first null sink, which programs see."""

_START_SECONDS = 20.0
_TELL_SECONDS = 5.0

_SETTINGS = """context.properties = {{
    default.clock.rate = {rate}
    default.clock.allowed-rates = [ 44100 48000 96000 ]
    default.clock.quantum = {block}
    default.clock.min-quantum = 64
    vm.overrides = {{ default.clock.min-quantum = 64 }}
}}
"""
"""Laid over PipeWire's own settings; in a virtual machine those allow no period below 1024 frames."""

_ALSA = """{types}
pcm.!pipewire {{
    type pipewire
    playback_node "-1"
    capture_node "-1"
    hint {{ show on description "PipeWire Sound Server" }}
}}
pcm.!default pcm.pipewire
"""
"""As pipewire-alsa describes it, for this studio alone: the machine's own default stays what it is."""

_BUS = """<busconfig>
  <listen>{address}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/></policy>
</busconfig>
"""
"""A bus on which everybody of the same user may do everything (dbus-daemon(1))."""

_ALSA_CONFIGURATION = Path("/usr/share/alsa/alsa.conf")


def jack_layer() -> Path | None:
    """Return the folder of PipeWire's JACK library, which programs take by LD_LIBRARY_PATH; None if it is missing."""
    found = sorted(Path("/usr").glob("lib*/pipewire-0.3/jack/libjack.so.0"))
    found += sorted(Path("/usr/lib").glob("*/pipewire-0.3/jack/libjack.so.0"))
    return found[0].parent if found else None


def alsa_plugin() -> Path | None:
    """Return ALSA's way into PipeWire; None if it is missing."""
    found = sorted(Path("/usr").glob("lib*/alsa-lib/libasound_module_pcm_pipewire.so"))
    found += sorted(Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pipewire.so"))
    return found[0] if found else None


def missing_parts() -> str:
    """Return a sentence of what is missing, or nothing."""
    tools = [
        name for name in (SERVER, MANAGER, "dbus-daemon", "pw-cli", "pw-metadata", "wpctl") if not shutil.which(name)
    ]
    if jack_layer() is None:
        tools.append("PipeWire's JACK library")
    if alsa_plugin() is None:
        tools.append("PipeWire's ALSA plugin")
    if not tools:
        return ""
    return (
        f"{', '.join(tools)} missing; install pipewire, pipewire-jack, pipewire-alsa, wireplumber and dbus-daemon to play "
        "through PipeWire"
    )


class PipeWireStudio:
    """A server, its manager and one null sink, `SINK`, that come up with it and go with it.

    Parameters
    ----------
    rate, block : int
        Of the server.

    Attributes
    ----------
    environment : dict of str to str
        Of programs that belong to this desktop: they find its server, its JACK library and its ALSA devices.

    Raises
    ------
    RuntimeError
        If something is missing or does not come up.
    """

    def __init__(self, rate: int = 48_000, block: int = 256) -> None:
        if sentence := missing_parts():
            raise RuntimeError(sentence)
        self._folder = tempfile.TemporaryDirectory(prefix="pw", ignore_cleanup_errors=True)
        folder = Path(self._folder.name)
        settings = folder / "config" / "pipewire" / "pipewire.conf.d"
        settings.mkdir(parents=True)
        (settings / "studio.conf").write_text(_SETTINGS.format(rate=rate, block=block))
        alsa = folder / "asoundrc"
        types = f'pcm_type.pipewire {{ lib "{alsa_plugin()}" }}'
        alsa.write_text(_ALSA.format(types=types))
        self.environment = {
            **os.environ,
            "XDG_RUNTIME_DIR": str(folder),
            "PIPEWIRE_RUNTIME_DIR": str(folder),
            "DBUS_SESSION_BUS_ADDRESS": f"unix:path={folder}/bus",
            "LD_LIBRARY_PATH": str(jack_layer()),
            "ALSA_CONFIG_PATH": f"{_ALSA_CONFIGURATION}:{alsa}",
        }
        self.environment.pop("PIPEWIRE_REMOTE", None)
        self._servers_environment = {
            **self.environment,
            "XDG_CONFIG_HOME": str(folder / "config"),
            "XDG_STATE_HOME": str(folder / "state"),
        }
        self._processes: dict[str, subprocess.Popen[bytes]] = {}

    @property
    def without_jack(self) -> dict[str, str]:
        """Environment of programs that find no JACK layer, and reach PipeWire through ALSA alone."""
        bare = {name: value for name, value in self.environment.items() if name != "LD_LIBRARY_PATH"}
        return {**bare, "JACK_DEFAULT_SERVER": "nobody"}

    def __enter__(self) -> Self:
        address = self.environment["DBUS_SESSION_BUS_ADDRESS"]
        try:
            bus = Path(self._folder.name) / "bus.conf"
            bus.write_text(_BUS.format(address=address))
            self._run("bus", "dbus-daemon", f"--config-file={bus}", "--nofork", "--nopidfile")
            self.begin()
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *ended: object) -> None:
        for name in (MANAGER, SERVER, "bus"):
            self.end(name)
        self._folder.cleanup()

    def begin(self) -> None:
        """Start server and manager, and let the sink appear."""
        self._run(SERVER, SERVER)
        _wait(lambda: "core.name" in self.tell("pw-cli", "info", "0"), "PipeWire")
        self._run(MANAGER, MANAGER)
        self.plug(SINK)

    def end(self, name: str, by: signal.Signals = signal.SIGKILL) -> None:
        """End one of the processes, as a crash would."""
        process = self._processes.pop(name, None)
        if process is None:
            return
        process.send_signal(signal.SIGCONT)
        process.send_signal(by)
        try:
            process.wait(_START_SECONDS)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def crash(self) -> None:
        """Kill server and manager at once."""
        self.end(SERVER)
        self.end(MANAGER)

    def freeze(self) -> None:
        """Let the server hang: it is there, and does nothing."""
        self._processes[SERVER].send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let the server go on."""
        if SERVER in self._processes:
            self._processes[SERVER].send_signal(signal.SIGCONT)

    def plug(self, name: str) -> None:
        """Make a null sink, and wait until programs see it."""
        told = (
            f"{{ factory.name=support.null-audio-sink node.name={name.casefold()} node.description={name} "
            "media.class=Audio/Sink object.linger=true audio.position=[FL FR] monitor.channel-volumes=false }"
        )
        self.tell("pw-cli", "create-node", "adapter", told)
        _wait(lambda: name in self.sinks(), f"the sink {name}")

    def pull(self, name: str) -> None:
        """Take a null sink away."""
        self.tell("pw-cli", "destroy", name.casefold())

    def sinks(self) -> dict[str, int]:
        """Return the sinks that the manager knows, with their numbers; the default one has a star before it."""
        told = self.tell("wpctl", "status").partition("Sinks:")[2].partition("Sink endpoints:")[0]
        return {name: int(number) for number, name in re.findall(r"(\d+)\. (\S+)", told)}

    def make_default(self, name: str) -> None:
        """Let everybody play through a sink who has not asked for another one."""
        self.tell("wpctl", "set-default", str(self.sinks()[name]))

    def set_clock(self, **values: int) -> None:
        """Force ``rate`` or ``quantum`` of the server; 0 lets it choose."""
        for name, value in values.items():
            self.tell("pw-metadata", "-n", "settings", "0", f"clock.force-{name}", str(value))

    def tell(self, *command: str) -> str:
        """Run one of PipeWire's own commands and return what it prints."""
        done = subprocess.run(
            command, env=self._servers_environment, capture_output=True, text=True, timeout=_TELL_SECONDS, check=False
        )
        return done.stdout

    def _run(self, name: str, *command: str) -> None:
        self._processes[name] = subprocess.Popen(
            command,
            env=self._servers_environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )


def _wait(condition: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + _START_SECONDS
    while not condition():
        if time.monotonic() > deadline:
            raise RuntimeError(f"{what} did not come up within {_START_SECONDS:g} s")
        time.sleep(0.03)
