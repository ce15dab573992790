"""Report of a fault campaign, and whether its targets are met."""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import median

BACK_SECONDS = 3.0
"""In which the sound has to be back after the device."""


@dataclass
class Report:
    """Outcome of a campaign.

    Attributes
    ----------
    faults : dict
        How often each was injected.
    left_out : list of str
        Faults for which this machine lacks something.
    device_gone : list of (float, float)
        Seconds without a sound server, and until the sound was heard again after it came back.
    gaps : list of (str, float)
        Silences that should not have been, and in what they were found.
    excused : int
        Silences while the device was gone or the process stopped.
    machine_stops : list of float
        Seconds for which the whole machine stood still: nothing else ran either.
    standstills : list of str
        What the log of faults says of the show's having stood still.
    lost_frames, take_frames : int
    exits : list of int
    troubles : list of str
        What no target allows: tracebacks, shows that ended by themselves.
    """

    seconds: float
    seed: int
    faults: dict[str, int] = field(default_factory=dict)
    left_out: list[str] = field(default_factory=list)
    device_gone: list[tuple[float, float]] = field(default_factory=list)
    gaps: list[tuple[str, float]] = field(default_factory=list)
    excused: int = 0
    machine_stops: list[float] = field(default_factory=list)
    standstills: list[str] = field(default_factory=list)
    underflows: int = 0
    lost_frames: int = 0
    take_frames: int = 0
    checked_frames: int = 0
    exits: list[int] = field(default_factory=list)
    log_lines: int = 0
    troubles: list[str] = field(default_factory=list)

    @property
    def good(self) -> bool:
        """Whether every target is met."""
        back = all(seconds <= BACK_SECONDS for _, seconds in self.device_gone)
        return (
            not self.gaps
            and not self.lost_frames
            and not self.troubles
            and back
            and set(self.exits) == {0}
            and self.checked_frames > 0
        )


def in_words(report: Report) -> str:
    """Return the report as text."""
    gone = [f"{length:g} s ({back:g} s)" for length, back in report.device_gone]
    back = [seconds for _, seconds in report.device_gone]
    lines = [
        f"{sum(report.faults.values())} faults of {len(report.faults)} kinds in {report.seconds:g} s, seed {report.seed}:",
        *(f"  {count:3}  {name}" for name, count in sorted(report.faults.items())),
        *(f"  not injected: {name}" for name in report.left_out),
        f"device gone for, and heard after it was back: {', '.join(gone) or 'never'}",
        *([f"  median {median(back):.2f} s, longest {max(back):.2f} s"] if back else []),
        f"gaps: {len(report.gaps)}, {sum(length for _, length in report.gaps):.3f} s together",
        f"  beside them {report.excused} while the device was gone or the process stopped",
        (
            f"  and {len(report.machine_stops)} while the whole machine stood still, "
            f"{sum(report.machine_stops):.3f} s together"
        ),
        *(f"  {length:.4f} s, found in {found}" for found, length in report.gaps),
        *([f"  {line}" for line in report.standstills] if report.gaps else []),
        f"underflows told by the server: {report.underflows}",
        f"take: {report.take_frames} frames, {report.checked_frames} compared, {report.lost_frames} lost",
        f"lines in the log of faults: {report.log_lines}",
        f"exit states: {', '.join(map(str, report.exits))}",
        *report.troubles,
        "every target is met" if report.good else "a target is missed",
    ]
    return "\n".join(lines)
