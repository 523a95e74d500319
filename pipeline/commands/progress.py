"""Say in one line what a run is doing, how far it is, and how long it still takes."""

import json
import os
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from pipeline import settings

DOING = {
    "notes": "reading the arrangement {}",
    "hits": "finding the strikes of {}",
    "aligned": "aligning {}",
    "timing": "fitting {}",
    "tables": "gathering the tables",
    "trend": "comparing the build days",
    "worklist": "ranking what to mend",
    "report": "writing the report",
}
ONE_BY_ONE = ("tables", "trend", "worklist", "report")  # each waits for the one before
# Seconds of one core that a job takes on the machine the demo was measured on; only their ratios matter once a few have
# ended. Of hits, what a second of one channel adds.
SECONDS = {"notes": 1.0, "hits": 1.0, "aligned": 2.5, "timing": 7.0, "tables": 1.0, "trend": 4.0, "worklist": 4.0}
SECONDS |= {"report": 4.0, "all": 0.0}
HITS_PER_CHANNEL_SECOND = 0.01
ALIGNED_PER_MIXED_SECOND = 0.1  # of a microphone that hears everything: chords are told apart by sound
LEAST_MEASURED = 5.0  # of these seconds done, before the pace of this run counts
_PACE = "log/pace.txt"


@dataclass
class Progress:
    """What is known of a run's jobs; times are seconds of one clock.

    `costs` says what a job costs by stage and name. `cores` jobs run at a time. `pace` is the time that a job takes per
    cost, of the run before; None where there is none.
    """

    costs: "Costs"
    cores: int
    pace: float | None = None
    jobs: dict[int, tuple[str, str]] = field(default_factory=dict)
    logs: dict[int, str] = field(
        default_factory=dict
    )  # where each writes what it says, from the configuration's folder
    begun: dict[int, float] = field(default_factory=dict)
    ended: dict[int, float] = field(default_factory=dict)  # how long each took
    failed: list[int] = field(default_factory=list)

    def hear(self, line: str, now_s: float) -> None:
        """Take up one line that the workflow tells (`engine`)."""
        what, of = json.loads(line)
        if what == "plan":
            self.jobs = {one: (stage, name) for one, stage, name, *_ in of if stage != "all"}
            self.logs = {one: log[0] for one, _, _, *log in of if log}
            return
        for one in of:
            if what == "begun" and one in self.jobs:
                self.begun[one] = now_s
            elif what == "ended" and one in self.begun:
                self.ended[one] = now_s - self.begun[one]
            elif what == "failed" and one in self.jobs and one not in self.failed:
                self.failed.append(one)

    def line(self, now_s: float) -> str:
        """Return what is going on, how far it is and how long it still takes, as far as that is known."""
        if not self.jobs:
            return "looking what there is to do"
        running = [one for one in self.begun if one not in self.ended and one not in self.failed]
        longest = max(running, key=lambda one: self.costs.of(*self.jobs[one]), default=None)
        doing = DOING[self.jobs[longest][0]].format(self.jobs[longest][1]) if longest is not None else "waiting"
        still_s = self.still_s(now_s)
        still = "" if still_s is None else f", {said_still(still_s)}"
        return f"{doing}: {len(self.ended)} of {len(self.jobs)} steps done{still}"

    def still_s(self, now_s: float) -> float | None:
        """Return how long the run still takes; None before anything has been measured."""
        pace = self.measured()
        if pace is None:
            return None
        left = {}
        for one, (stage, name) in self.jobs.items():
            if one not in self.ended and one not in self.failed:
                since_s = now_s - self.begun[one] if one in self.begun else 0.0
                left[one] = max(self.costs.of(stage, name) * pace - since_s, 0.0)
        together = [left_s for one, left_s in left.items() if self.jobs[one][0] not in ONE_BY_ONE]
        in_turn_s = sum(left.values()) - sum(together)
        return max(sum(together) / self.cores, max(together, default=0.0)) + in_turn_s

    def measured(self) -> float | None:
        """Return the time that a job takes per cost: in this run, or before enough has ended in the run before."""
        cost = sum(self.costs.of(*self.jobs[one]) for one in self.ended)
        return sum(self.ended.values()) / cost if cost >= LEAST_MEASURED else self.pace


class Costs:
    """What each job costs; how long a recording is, is looked at once."""

    def __init__(self, config: settings.Settings):
        self._config, self._known = config, {}

    def of(self, stage: str, name: str) -> float:
        """Return the seconds of one core that a job takes where the demo was measured."""
        if (stage, name) not in self._known:
            more = self._of_sound(stage, name) if stage in ("hits", "aligned") else 0.0
            self._known[stage, name] = SECONDS[stage] + more
        return self._known[stage, name]

    def _of_sound(self, stage: str, recording: str) -> float:
        """Return what the length of a recording and its channels in the rig add; nothing to a list of hits."""
        take = self._config.recording(recording)
        rig = self._config.rig(take.rig)
        if rig is None or settings.is_list(take.file):
            return 0.0
        if stage == "hits":
            return HITS_PER_CHANNEL_SECOND * self._length_s(take) * len(rig.channels)
        mixed = any("everything" in channel.hears for channel in rig.channels)
        return ALIGNED_PER_MIXED_SECOND * self._length_s(take) if mixed else 0.0

    def _length_s(self, take: settings.Recording) -> float:
        """Return how long a recording is, by its header; 0 where that cannot be read."""
        import soundfile

        file = Path(take.file)
        try:
            if file.is_dir():
                file = next(one for one in sorted(file.iterdir()) if one.is_file() and one.name[0] != ".")
            found = soundfile.info(file)
        except (OSError, RuntimeError, StopIteration):
            return 0.0
        stop_s = found.duration if take.stop_s is None else min(take.stop_s, found.duration)
        return max(stop_s - (take.start_s or 0.0), 0.0)


def pace_of(results: str) -> float | None:
    """Return the pace of the run before, None where none is known."""
    try:
        return float(Path(results, _PACE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


def keep_pace(results: str, progress: Progress) -> None:
    """Keep the pace of this run for the next, when it has been measured and there is room for it."""
    if (pace := progress.measured()) is not None and pace != progress.pace:
        with suppress(OSError):
            Path(results, _PACE).write_text(f"{pace:.3f}\n", encoding="utf-8")


def said_still(still_s: float) -> str:
    """Say a time that is left: to 10 s, later to a minute."""
    if still_s < 10:
        return "a few seconds still"
    if still_s < 90:
        return f"about {round(still_s, -1):.0f} s still"
    return f"about {still_s / 60:.0f} min still"


class Line:
    """One line that is written over again: in a terminal in place, elsewhere anew from time to time."""

    EVERY_S = 60.0  # where it cannot be written over

    def __init__(self, stream, columns: int):
        self._stream, self._columns = stream, columns
        self._in_place = stream.isatty() and os.environ.get("TERM") != "dumb"
        self._last_s, self._shown = time.monotonic(), ""

    def show(self, text: str) -> None:
        """Show the line if it has changed."""
        if self._in_place:
            text = text if len(text) < self._columns else text[: self._columns - 2] + "…"
            if text != self._shown:
                self._stream.write(f"\r\x1b[K{text}")
                self._shown = text
        elif time.monotonic() - self._last_s >= self.EVERY_S:
            self._last_s = time.monotonic()
            self._stream.write(text + "\n")
        self._stream.flush()

    def clear(self) -> None:
        """Take the line away."""
        if self._in_place and self._shown:
            self._stream.write("\r\x1b[K")
            self._stream.flush()
            self._shown = ""
