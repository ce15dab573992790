"""What the system lacks is fetched where that is allowed, and named plainly where it is not."""

import os
import shutil
import stat
import sys
from pathlib import Path

import pytest

from tools.setup import system_packages
from tools.setup.system_packages import SystemPart

# An apt-get that writes down how it was called, and whose installation makes `arrived` appear only
# if the lists were refreshed before: as on a fresh machine.
APT_GET = """#!/bin/sh
echo "$DEBIAN_FRONTEND $*" >> {log}
case "$*" in
  *update*) touch {folder}/lists ;;
  *install*) test -e {folder}/lists && touch {folder}/arrived ;;
esac
"""
APT_CACHE = "#!/bin/sh\ntest -e {folder}/lists\n"


class Machine:
    """A pretended machine: its commands are scripts in one folder, its only part a file."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.log = folder / "log"
        self.log.touch()
        self.part = SystemPart(
            name="the organ",
            present=(folder / "arrived").exists,
            without="there is no wind",
            packages={"apt-get": ("organ0",), "brew": ("organ",)},
        )

    def add(self, name: str, text: str) -> None:
        script = self.folder / name
        script.write_text(text.format(log=self.log, folder=self.folder))
        script.chmod(script.stat().st_mode | stat.S_IXUSR)

    def calls(self) -> list[str]:
        return self.log.read_text().splitlines()


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    """A Linux machine with a shell, `env` and `touch`, where we are root."""
    for tool in ("env", "sh", "touch", "test"):
        found = shutil.which(tool)
        assert found
        (tmp_path / tool).symlink_to(found)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    return Machine(tmp_path)


@pytest.fixture
def debian(machine: Machine) -> Machine:
    """The same with apt."""
    machine.add("apt-get", APT_GET)
    machine.add("apt-cache", APT_CACHE)
    return machine


def test_what_is_there_is_left_alone(debian: Machine) -> None:
    (debian.folder / "arrived").touch()
    system_packages.get([debian.part], required=True)
    assert debian.calls() == []


def test_lists_that_do_not_know_the_package_are_refreshed_first(debian: Machine) -> None:
    system_packages.get([debian.part], required=True)
    assert [call.split()[4] for call in debian.calls()] == ["update", "install"]


def test_fresh_lists_are_not_fetched_again(debian: Machine) -> None:
    (debian.folder / "lists").touch()
    system_packages.get([debian.part], required=True)
    assert [call.split()[4] for call in debian.calls()] == ["install"]


def test_a_failed_installation_is_tried_once_more_with_fresh_lists(debian: Machine) -> None:
    debian.add("apt-cache", "#!/bin/sh\n")
    system_packages.get([debian.part], required=True)
    assert [call.split()[4] for call in debian.calls()] == ["install", "update", "install"]


def test_apt_is_never_given_a_chance_to_ask(debian: Machine) -> None:
    system_packages.get([debian.part], required=True)
    assert all(call.startswith("noninteractive ") for call in debian.calls())
    assert " -y " in debian.calls()[-1]


def test_a_sudo_that_asks_for_a_password_is_not_used(
    debian: Machine, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    debian.add("sudo", "#!/bin/sh\nexit 1\n")
    system_packages.get([debian.part], required=False)
    assert debian.calls() == []
    assert capsys.readouterr().err == (
        "Missing on this machine: the organ (without: there is no wind). To get it: sudo apt-get install organ0\n"
    )


def test_a_sudo_without_password_is_used(debian: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    debian.add("sudo", '#!/bin/sh\nshift\nexec "$@"\n')
    debian.add("true", "#!/bin/sh\n")
    system_packages.get([debian.part], required=True)
    assert debian.part.present()


def test_a_required_part_that_stays_missing_ends_the_run_with_the_sentence(machine: Machine) -> None:
    with pytest.raises(SystemExit, match=r"the organ .* Install it with this system's own package manager"):
        system_packages.get([machine.part], required=True)


def test_a_part_that_may_stay_away_does_not_end_the_run(machine: Machine, capsys: pytest.CaptureFixture[str]) -> None:
    system_packages.get([machine.part], required=False)
    assert "there is no wind" in capsys.readouterr().err


def test_other_systems_are_told_their_own_command(machine: Machine) -> None:
    machine.add("brew", "#!/bin/sh\n")
    assert system_packages.explain([machine.part]).endswith("To get it: brew install organ")


def test_windows_is_told_of_winget(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    assert "winget search" in system_packages.explain([machine.part])
