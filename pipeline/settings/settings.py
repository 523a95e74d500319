"""Hold the whole configuration, checked, and the groups of recordings that are compared."""

import hashlib
import os
import re
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property

from pipeline.errors import InputError
from pipeline.settings.arrangements import Arrangement
from pipeline.settings.detection import Detection
from pipeline.settings.faults import choice_of, slip
from pipeline.settings.machine import Machine
from pipeline.settings.recordings import Recording
from pipeline.settings.rigs import Rig
from pipeline.settings.strikers import Striker

_LONGEST_WORD = 40  # letters of an arrangement or a set-up within the name of a file
_MOST_CHOICES = 12  # names that a message lists; of more it says where they stand


@dataclass(frozen=True)
class Group:
    """The recordings of one arrangement, build day, session and set-up: what is compared."""

    arrangement: str
    build_day: date
    session: int
    setup: str
    recordings: tuple[Recording, ...] = field(compare=False)

    @property
    def key(self) -> tuple[str, date, int, str]:
        """Its values of `tables.GROUP_KEYS`."""
        return self.arrangement, self.build_day, self.session, self.setup

    @property
    def id(self) -> str:
        """A file name: letters, digits, `_ . -`; different for different groups.

        Names that are not made of letters, digits and hyphens are shortened to those and carry a hash.
        """
        parts = (self.arrangement, self.setup)
        words = "_".join(re.sub(r"[^A-Za-z0-9]+", "-", part).strip("-")[:_LONGEST_WORD] for part in parts)
        name = f"{self.build_day}_{self.session}_{words}".rstrip("_")
        if all(re.fullmatch(rf"[A-Za-z0-9-]{{0,{_LONGEST_WORD}}}", part) for part in parts):
            return name
        return f"{name}.{hashlib.sha256(repr(parts).encode()).hexdigest()[:8]}"


@dataclass(frozen=True)
class Settings:
    """The whole configuration, checked."""

    path: str
    results: str
    baseline: date | None
    arrangements: tuple[Arrangement, ...]
    machine: Machine  # without a set-up
    setups: tuple[tuple[str, Machine], ...]
    rigs: tuple[Rig, ...]
    detection: Detection
    recordings: tuple[Recording, ...]
    recordings_file: str = ""  # the list they stand in
    edits_file: str = ""  # the corrections by hand

    def from_folder(self, path: str) -> str:
        """Return a path as it is from the configuration's folder, wherever one works."""
        return os.path.relpath(path, os.path.dirname(self.path) or ".")

    def machine_of(self, setup: str, arrangement: str = "") -> Machine:
        """Return the machine as it was in a set-up; '' is the machine without one.

        With the name of a clock test, its striker is among the strikers, last where the machine does not name it.
        """
        machine = self.machine if setup == "" else self._named("set-up", setup, dict(self.setups))
        clock = self.arrangement_of(arrangement).clock if arrangement else None
        if clock is None or clock.striker in (striker.name for striker in machine.strikers):
            return machine
        return replace(machine, strikers=(*machine.strikers, Striker(clock.striker, ())))

    def rig(self, name: str) -> Rig | None:
        """Return a microphone set-up; None for '' (a list of hits that needs none)."""
        return None if name == "" else self._named("rig", name, {rig.name: rig for rig in self.rigs})

    @cached_property
    def _recordings(self) -> dict[str, Recording]:
        return {recording.recording: recording for recording in self.recordings}

    @cached_property
    def _groups(self) -> dict[str, Group]:
        members: dict[tuple, list[Recording]] = {}
        for recording in self.recordings:
            members.setdefault(recording.group_key, []).append(recording)
        groups = (Group(*key, tuple(members[key])) for key in sorted(members))
        return {group.id: group for group in groups}

    def arrangement_of(self, name: str) -> Arrangement:
        """Return an arrangement by its name."""
        return self._named("arrangement", name, {arrangement.name: arrangement for arrangement in self.arrangements})

    def recording(self, identity: str) -> Recording:
        """Return a recording by its name."""
        return self._named("recording", identity, self._recordings)

    def groups(self) -> tuple[Group, ...]:
        """Return what is compared, by arrangement, day, session and set-up; recordings in the order of the list."""
        return tuple(self._groups.values())

    def group(self, identity: str) -> Group:
        """Return a group by its `id`."""
        return self._named("group", identity, self._groups)

    def _named(self, what: str, name: str, found: dict):
        if name in found:
            return found[name]
        near = slip(name, found)
        do = f"use {choice_of(found)}" if len(found) <= _MOST_CHOICES else "see the configuration"
        raise InputError(f"{self.path}: expected a configured {what}; found '{name}'{near}; {do}")
