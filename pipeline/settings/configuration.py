"""Turn the configuration's YAML into the dataclasses of `model`, part by part, noting every fault."""

import os
from dataclasses import dataclass, replace
from datetime import date

from pipeline.settings.faults import near_file
from pipeline.settings.mechanics import read_machine
from pipeline.settings.microphones import read_rig
from pipeline.settings.model import (
    Arrangement,
    Barrel,
    Clock,
    Detection,
    Machine,
    Rig,
)
from pipeline.settings.nodes import Fields, Value
from pipeline.settings.ownership import stranger

_NOT_IN_FILE_NAMES = "/\\{}"
_LONGEST_NAME = 80  # bytes; file systems allow 255 and temporary names and endings need room
_NO_MACHINE = Machine(Barrel(), (), None, ())
_OFF = ("no", "off", "none", "false", "0", "~", "null", "")


@dataclass(frozen=True)
class Configuration:
    """What stands in the YAML file; names are complete even where their content has faults."""

    results: str
    recordings: str | None
    baseline: date | None
    arrangements: tuple[Arrangement, ...]
    arrangement_names: tuple[str, ...]
    default_arrangement: str | None
    machine: Machine
    setups: tuple[tuple[str, Machine], ...]
    setup_names: tuple[str, ...]
    rigs: tuple[Rig, ...]
    rig_names: tuple[str, ...]
    detection: Detection
    warnings: tuple[str, ...]


def read_configuration(root: Value) -> Configuration:
    """Read the whole configuration; faults go to the root's `Faults`."""
    fields = root.fields(
        "arrangement results baseline machine setups rigs detection", required="arrangements recordings"
    )
    names, arrangements = _arrangements(fields)
    machine, warnings = _NO_MACHINE, []
    if fields.get("machine"):
        machine = read_machine(fields["machine"], None, warnings)
    elif any(arrangement.file for arrangement in arrangements):
        root.fault("the key 'machine'", "none", "add it: its strikers are needed to play an arrangement")
    setups = _setups(fields, machine, warnings)
    arms = [arrangement.clock.striker for arrangement in arrangements if arrangement.clock]
    rigs = fields["rigs"].named("rig") if fields.get("rigs") else []
    return Configuration(
        results=_results(fields, root.file),
        recordings=_list(fields),
        baseline=fields.day("baseline") if fields.get("baseline") else None,
        arrangements=arrangements,
        arrangement_names=names,
        default_arrangement=_default(fields, names),
        machine=machine,
        setups=setups,
        setup_names=tuple(name for name, _ in setups),
        rigs=tuple(read_rig(name, value, machine.strikers, arms) for name, value in rigs),
        rig_names=tuple(name for name, _ in rigs),
        detection=_detection(fields["detection"]) if fields.get("detection") else Detection(),
        warnings=tuple(warnings),
    )


def _results(fields: Fields, configuration: str) -> str:
    """Return the folder of results; what lies in it is ours to replace, so it holds nothing of the user's."""
    results = os.path.normpath(fields.path("results", "results"))
    own = [configuration, fields["recordings"].node.value if fields.get("recordings") else configuration]
    holds = [path for path in own if isinstance(path, str) and _lies_in(path, results)]
    place, (theirs, do) = fields.get("results") or fields.value, stranger(results, configuration)
    if os.path.isfile(results):
        place.fault("a folder", f"the file '{results}'", "name another folder")
    elif results == "." or holds:
        found = f"'{results}', which holds {holds[0] if holds else 'everything'}"
        place.fault("a folder of its own for results", found, "name another folder, such as results")
    elif theirs:
        place.fault("a folder of its own for results", f"in '{results}' {theirs}", do)
    return results


def _lies_in(path: str, folder: str) -> bool:
    inside = os.path.relpath(os.path.abspath(path), os.path.abspath(folder))
    return inside != ".." and not inside.startswith(".." + os.sep)


def existing_file(value: Value, path: str | None, what: str) -> None:
    """Note a fault when there is no file at `path`."""
    if path is not None and not os.path.isfile(path):
        backslash = "\\" in path
        found = "a folder" if os.path.isdir(path) else "no file" + ("" if backslash else near_file(path))
        do = "write / for \\" if backslash else "correct the path (it starts at the working folder)"
        value.fault(f"{what} at '{path}'", found, do)


def _list(fields: Fields) -> str | None:
    path = fields.path("recordings")
    if path is not None and not os.path.isfile(path):
        existing_file(fields["recordings"], path, "the list of recordings (CSV)")
        return None
    return path


def _arrangements(fields: Fields) -> tuple[tuple[str, ...], tuple[Arrangement, ...]]:
    if "arrangements" not in fields:
        return (), ()
    entries = fields["arrangements"].named("arrangement")
    if fields["arrangements"].is_mapping and not fields["arrangements"].node.value:
        fields["arrangements"].fault("at least one arrangement", "none", "add a name and its MIDI file")
    arrangements = []
    for name, value in entries:
        if any(sign in _NOT_IN_FILE_NAMES for sign in name) or not name[0].isalnum():
            value.fault("a name that can name a file", f"'{name}'", r"begin with a letter or digit, leave out / \ { }")
        if len(name.encode()) > _LONGEST_NAME:
            value.fault(f"a name of at most {_LONGEST_NAME} bytes", f"{len(name.encode())}", "shorten it")
        if value.is_mapping:
            arrangements.append(Arrangement(name, clock=_clock(value)))
        else:
            path = value.path()
            existing_file(value, path, "a standard MIDI file")
            arrangements.append(Arrangement(name, file=path))
    return tuple(name for name, _ in entries), tuple(arrangements)


def _clock(value: Value) -> Clock:
    fields = value.fields("beats_per_bar strikes_per_bar bars_per_turn", required="bpm bars striker")
    return Clock(
        bpm=fields.number("bpm", 60.0, 0, 2000, above=True),
        bars=fields.whole("bars", 1, 1, 100_000),
        striker=fields.text("striker", ""),
        beats_per_bar=fields.whole("beats_per_bar", 4, 1, 100),
        strikes_per_bar=fields.whole("strikes_per_bar", 1, 1, 100),
        bars_per_turn=fields.number("bars_per_turn", None, 0, 10_000, above=True),
    )


def _default(fields: Fields, names: tuple[str, ...]) -> str | None:
    if fields.get("arrangement") is None:
        return names[0] if len(names) == 1 else None
    value = fields["arrangement"]
    name = value.text()
    if name is not None and names and name not in names:
        value.choice(None, names)
        return names[0]  # one fault is enough: the rows that rely on it are not to blame
    return name


def _setups(fields: Fields, machine: Machine, warnings: list[str]) -> tuple[tuple[str, Machine], ...]:
    if fields.get("setups") is None:
        return ()
    setups = []
    for name, value in fields["setups"].named("setup"):
        changed = machine if value.is_nothing else read_machine(value, machine, warnings)
        setups.append((name, changed))
    return tuple(setups)


def _detection(value: Value) -> Detection:
    fields = value.fields("minimum_gap_ms sensitivity mains_hz idle_file")
    default = Detection()
    idle_file = fields.path("idle_file") if fields.get("idle_file") else None
    existing_file(value if idle_file is None else fields["idle_file"], idle_file, "a recording of the machine at rest")
    mains = default.mains_hz
    if "mains_hz" in fields:
        off = fields["mains_hz"].is_scalar and fields["mains_hz"].node.value.casefold() in _OFF
        mains = None if off else fields.number("mains_hz", default.mains_hz, 10, 500)
    return replace(
        default,
        minimum_gap_ms=fields.number("minimum_gap_ms", default.minimum_gap_ms, 0, 1000, above=True),
        sensitivity=fields.number("sensitivity", default.sensitivity, 0, 1),
        mains_hz=mains,
        idle_file=idle_file,
    )
