"""Tell what became of each job of the last work list: done and won, all or a part, done and did not win, not done.

In: the work list of the group before. Out: which thing each job is about, and its fate by that thing's verdict.
"""

import json
from dataclasses import dataclass

import pandas as pd

FATES = {
    "mended": "done and won",
    "moved": "done and did not win",
    "worse": "done and did not win",
    "unchanged": "not done",
}  # of the rest nothing can be told
# What the finding of a job says, and the quantity of 'changes' that answers it.
FINDINGS = {
    "missed": "missed",
    "double": "extra",
    "middle one of all strikers": "delay",
    "when one other fires with it": "company",
    "soon after its own last strike": "readiness",
}


@dataclass(frozen=True, eq=False)
class Asked:
    """The jobs of one earlier list.

    Parameters
    ----------
    jobs : pd.DataFrame
        Contract 'asked', one group.
    notes : pd.DataFrame
        Contract 'notes' of its arrangement: tells which pin stands at a place.
    """

    jobs: pd.DataFrame
    notes: pd.DataFrame

    def missing(self, pin_of: dict[int, int]) -> set[int]:
        """Return the pins, by their numbers now, of which the list said that they miss."""
        now_of = {old: new for new, old in pin_of.items()}
        things = [thing for row in self.jobs.itertuples() for thing in self._things(row)]
        pins = {int(thing.removeprefix("pin ")) for kind, thing, what in things if (kind, what) == ("pin", "missed")}
        return {now_of[pin] for pin in pins if pin in now_of}

    def joined(self, made: pd.DataFrame, pin_of: dict[int, int]) -> pd.DataFrame:
        """Return the things with `job` (None: nothing was asked of it) and `asked`."""
        job = {}
        for row in self.jobs.sort_values("rank", ascending=False).itertuples():
            for key in self._things(row):
                job[key] = f"{row.where}: {row.correction}"
        now_of = {f"pin {old}": f"pin {new}" for new, old in pin_of.items()}
        job = {(kind, now_of.get(thing, thing), what): text for (kind, thing, what), text in job.items()}
        keys = zip(made["kind"], made["thing"], made["quantity"], strict=True)
        found = pd.Series([job.get(key) for key in keys], index=made.index, dtype=object)
        return made.assign(job=found, asked=found.notna())

    def _things(self, job) -> list[tuple]:
        """Return kind, thing and quantity of what a job is about; none for the load or all strikers."""
        quantities = [name for phrase, name in FINDINGS.items() if phrase in job.finding]
        if job.part == "striker":
            return [("striker", job.where, name) for name in quantities]
        if job.part != "pin" or not job.places:
            return []
        pins = []
        for place in json.loads(job.places):
            there = self.notes["score_beat"].eq(place["score_beat"]) & self.notes["striker"].eq(place["striker"])
            pins += self.notes.loc[there, "pin_id"].astype(int).tolist()
        return [("pin", f"pin {pin}", "missed" if "missed" in quantities else "place") for pin in dict.fromkeys(pins)]


def told(every: pd.DataFrame) -> pd.DataFrame:
    """Add the fate of each job."""
    asked = every["job"].notna() if "job" in every else pd.Series(False, index=every.index)
    fate = every["verdict"].map(FATES).fillna("cannot be told")
    before, after, low, high = (every[name].astype(float) for name in ("before", "after", "change_low", "change_high"))
    surely_nearer = before.abs() - after.abs() > (high - low) / 2
    fate = fate.mask(every["verdict"].eq("moved") & surely_nearer, "done and won a part").where(asked, None)
    return every.assign(fate=fate.astype(object))
