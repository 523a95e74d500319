"""Read the top level of the configuration's YAML: each key by its own module, noting every fault."""

import os
from dataclasses import dataclass
from datetime import date

from pipeline.settings.arrangements import Arrangement, default_arrangement, read_arrangements
from pipeline.settings.detection import Detection, read_detection
from pipeline.settings.faults import beside, path_fault
from pipeline.settings.machine import NO_MACHINE, Machine, read_machine
from pipeline.settings.ownership import stranger
from pipeline.settings.rigs import Rig, read_rig
from pipeline.settings.yaml_values import Fields, Value


@dataclass(frozen=True)
class Configuration:
    """What stands in the YAML file; names are complete even where their content has faults."""

    path: str
    results: str
    recordings: str | None
    edits: str | None
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
        "arrangement edits results baseline machine setups rigs detection", required="arrangements recordings"
    )
    names, arrangements = read_arrangements(fields)
    machine, warnings = NO_MACHINE, []
    if fields.get("machine"):
        machine = read_machine(fields["machine"], None, warnings)
    elif any(arrangement.file for arrangement in arrangements):
        root.fault("the key 'machine'", "none", "add it: its strikers are needed to play an arrangement")
    setups = _setups(fields, machine, warnings)
    arms = [arrangement.clock.striker for arrangement in arrangements if arrangement.clock]
    rigs = fields["rigs"].named("rig") if fields.get("rigs") else []
    return Configuration(
        path=root.file,
        results=_results(fields, root.file),
        recordings=_list(fields, "recordings", "the list of recordings (CSV)"),
        edits=_list(fields, "edits", "the corrections by hand (CSV)"),
        baseline=fields.day("baseline") if fields.get("baseline") else None,
        arrangements=arrangements,
        arrangement_names=names,
        default_arrangement=default_arrangement(fields, names),
        machine=machine,
        setups=setups,
        setup_names=tuple(name for name, _ in setups),
        rigs=tuple(read_rig(name, value, machine.strikers, arms) for name, value in rigs),
        rig_names=tuple(name for name, _ in rigs),
        detection=read_detection(fields["detection"]) if fields.get("detection") else Detection(),
        warnings=tuple(warnings),
    )


def _results(fields: Fields, configuration: str) -> str:
    """Return the folder of results; what lies in it is ours to replace, so it holds nothing of the user's."""
    results = os.path.normpath(fields.path("results", "results"))
    listed = [fields[key].node.value for key in ("recordings", "edits") if fields.get(key)]
    usable = [one for one in listed if isinstance(one, str) and not path_fault(one)]
    own = [configuration, *(beside(configuration, one) for one in usable)]
    holds = [path for path in own if _lies_in(path, results)]
    place, (theirs, do) = fields.get("results") or fields.value, stranger(results, configuration)
    above = _nearest_there(results)
    if not os.path.isdir(above):
        place.fault("a folder", f"the file '{above}'", "name another folder")
    elif not os.access(above, os.W_OK | os.X_OK):
        place.fault("a folder that can be written", f"'{above}', which cannot", "name another folder")
    elif results == "." or holds:
        found = f"'{results}', which holds {holds[0] if holds else 'everything'}"
        place.fault("a folder of its own for results", found, "name another folder, such as results")
    elif theirs:
        place.fault("a folder of its own for results", f"in '{results}' {theirs}", do)
    return results


def _nearest_there(path: str) -> str:
    """Return the path, or the nearest above it that exists."""
    while not os.path.lexists(path or "."):
        path = os.path.dirname(path)
    return path or "."


def _lies_in(path: str, folder: str) -> bool:
    inside = os.path.relpath(os.path.abspath(path), os.path.abspath(folder))
    return inside != ".." and not inside.startswith(".." + os.sep)


def _list(fields: Fields, key: str, what: str) -> str | None:
    path = fields.path(key) if fields.get(key) or key == "recordings" else None
    if path is None or os.path.isfile(path):
        return path
    fields[key].require_file(path, what)
    return None


def _setups(fields: Fields, machine: Machine, warnings: list[str]) -> tuple[tuple[str, Machine], ...]:
    if fields.get("setups") is None:
        return ()
    setups = []
    for name, value in fields["setups"].named("setup"):
        changed = machine if value.is_nothing else read_machine(value, machine, warnings)
        setups.append((name, changed))
    return tuple(setups)
