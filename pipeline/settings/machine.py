"""Read the machine and what a set-up changes of it: barrel, shafts, flywheel, strikers."""

from dataclasses import replace

from pipeline.settings.faults import slip
from pipeline.settings.model import Barrel, Flywheel, Machine, Shaft, Striker, Wheel
from pipeline.settings.nodes import Fields, Value

DRIVES = ("belt", "toothed", "freewheel")
PINS = ("song", "turn")
RESERVED = ("everything", "index", "click")  # what `hears` says besides strikers
_HIGHEST_NOTE = 127
_DIFFERENT_NOTES = "leave it out: the notes are one table for all set-ups; keep a configuration of its own for it"


def read_machine(value: Value, base: Machine | None, warnings: list[str]) -> Machine:
    """Read the machine; with `base`, only what a set-up changes of it.

    Parameters
    ----------
    value : Value
    base : Machine or None
        None: the machine itself.
    warnings : list of str
        Gains a line for what is allowed and yet may be a slip.
    """
    keys = "barrel shafts flywheel finest_move_mm"
    fields = value.fields(keys, required="strikers") if base is None else value.fields(keys + " strikers")
    before = base or Machine(Barrel(), (), None, ())
    strikers = before.strikers
    if "strikers" in fields:
        strikers = _strikers(fields["strikers"]) if base is None else _changed_strikers(fields["strikers"], strikers)
    return Machine(
        barrel=_barrel(fields["barrel"], before.barrel, base is not None) if fields.get("barrel") else before.barrel,
        shafts=_shafts(fields, before.shafts, warnings),
        flywheel=_flywheel(fields["flywheel"], before.flywheel) if "flywheel" in fields else before.flywheel,
        strikers=strikers,
        finest_move_mm=fields.number("finest_move_mm", before.finest_move_mm, 0, 100, above=True),
    )


def _barrel(value: Value, before: Barrel, in_setup: bool) -> Barrel:
    fields = value.fields("bars_per_turn diameter_mm pins")
    barrel = Barrel(
        bars_per_turn=fields.number("bars_per_turn", before.bars_per_turn, 0, 10_000, above=True),
        diameter_mm=fields.number("diameter_mm", before.diameter_mm, 0, 20_000, above=True),
        pins=fields.choice("pins", before.pins, PINS),
    )
    if in_setup:
        for key in ("bars_per_turn", "pins"):
            if getattr(barrel, key) != getattr(before, key):
                fields[key].fault(f"what stands under machine ({getattr(before, key)})", do=_DIFFERENT_NOTES)
    elif barrel.pins == "turn" and barrel.bars_per_turn is None:
        value.fault("the key 'bars_per_turn' beside 'pins: turn'", "none", "add it")
    return barrel


def _shafts(fields: Fields, before: tuple[Shaft, ...], warnings: list[str]) -> tuple[Shaft, ...]:
    if fields.get("shafts") is None:
        return before
    shafts = {shaft.name: shaft for shaft in before}
    for name, value in fields["shafts"].named("shaft"):
        if value.is_nothing:
            if name not in shafts:
                value.fault("turns per turn of the barrel")
            shafts.pop(name, None)
            continue
        old = shafts.get(name)
        if old is None and before and slip(name, shafts):
            place = f"{value.file} (line {value.line})"
            warnings.append(f"{place}: the shaft '{name}' is new in this set-up{slip(name, shafts)}")
        shafts[name] = _shaft(name, value, old, warnings)
    return tuple(shafts.values())


def _shaft(name: str, value: Value, old: Shaft | None, warnings: list[str]) -> Shaft:
    if not value.is_mapping:
        # A plain number means a belt, also where the machine's own shaft has another drive.
        if old and old.drive != "belt":
            warnings.append(
                f"{value.file} (line {value.line}): {value.what}: a plain number means a belt, and under machine the "
                f"drive is {old.drive}; write {{turns: …}} to keep it"
            )
        return Shaft(name, value.number(1.0, 0, 100_000, above=True))
    fields = value.fields("turns drive pulleys_mm")
    turns = fields.number("turns", old.turns if old else 1.0, 0, 100_000, above=True)
    if "pulleys_mm" in fields:
        turns = _ratio(fields["pulleys_mm"], turns)
        if "turns" in fields:
            value.fault("either 'turns' or 'pulleys_mm'", "both", "delete one")
    elif "turns" not in fields and old is None:
        value.fault("'turns' or 'pulleys_mm'", "neither", "add one")
    return Shaft(name, turns, fields.choice("drive", old.drive if old else "belt", DRIVES))


def _ratio(value: Value, default: float) -> float:
    """Turns of the driven pulley per turn of the driver: the ratio of the diameters, driver over driven."""
    pulleys = value.items()
    if not value.is_list or len(pulleys) != 2:
        value.fault("two diameters: [driver, driven]")
        return default
    driver, driven = (pulley.number(None, 0, 20_000, above=True) for pulley in pulleys)
    return driver / driven if driver and driven else default


def _flywheel(value: Value, before: Flywheel | None) -> Flywheel | None:
    if value.is_nothing:
        return None
    if value.is_list:
        wheels = tuple(_wheel(entry) for entry in value.items())
        if not wheels:
            value.fault("at least one disc or ring", "an empty list", "leave the flywheel out or add one")
        return Flywheel(wheels=wheels)
    if not value.is_mapping:
        value.fault("{inertia_kg_m2: …, diameter_mm: …} or a list of rings [{mass_kg: …, outer_mm: …}]")
        return before
    if any(key.value in ("mass_kg", "outer_mm") for key, _ in value.node.value):
        value.fault(
            "discs and rings as a list: [{mass_kg: …, outer_mm: …}]", "one without brackets", "put [ ] around it"
        )
        return before
    fields = value.fields("inertia_kg_m2 diameter_mm")
    old = before or Flywheel()
    inertia = fields.number("inertia_kg_m2", old.inertia_kg_m2, 0, 1e6, above=True)
    diameter = fields.number("diameter_mm", old.diameter_mm, 0, 20_000, above=True)
    if "inertia_kg_m2" not in fields and not old.wheels and old.inertia_kg_m2 is None:
        value.fault("the key 'inertia_kg_m2'", "none", "add it, or give the wheel as a list of rings")
    return Flywheel(inertia, diameter, () if "inertia_kg_m2" in fields else old.wheels)


def _wheel(value: Value) -> Wheel:
    fields = value.fields("inner_mm count", required="mass_kg outer_mm")
    wheel = Wheel(
        mass_kg=fields.number("mass_kg", 1.0, 0, 100_000, above=True),
        outer_mm=fields.number("outer_mm", 1.0, 0, 20_000, above=True),
        inner_mm=fields.number("inner_mm", 0.0, 0, 20_000),
        count=fields.whole("count", 1, 1, 1000),
    )
    if "inner_mm" in fields and "outer_mm" in fields and wheel.inner_mm >= wheel.outer_mm:
        value.fault(
            "an inner diameter below the outer one", f"inner_mm {wheel.inner_mm:g}, outer_mm {wheel.outer_mm:g}"
        )
    return wheel


def _strikers(value: Value) -> tuple[Striker, ...]:
    if not value.is_list:
        value.fault("a list of strikers, each {name: …, notes: […]}")
        return ()
    strikers, lines = [], {}
    for entry in value.items():
        fields = entry.fields("notes channel delay_ms was", required="name")
        name = _name(fields, lines)
        if name is None:
            continue
        notes = _notes(fields["notes"]) if "notes" in fields else ()
        if "notes" not in fields:
            entry.fault("the key 'notes'", "none", "add it: the MIDI notes that fire this striker (a clock's arm: [])")
        striker = Striker(name, notes, _channel(fields), _delay(fields, 0.0), fields.text("was"))
        _claims(entry, striker, strikers, lines)
        strikers.append(striker)
    _former_names(value, strikers)
    return tuple(strikers)


def _name(fields: Fields, lines: dict[str, int]) -> str | None:
    if (name := fields.text("name")) is None:
        return None
    value = fields["name"]
    if name.casefold() in RESERVED:
        value.fault("a name of its own", f"'{name}', which rigs use for something else", "rename the striker")
    if name.casefold() in lines:
        first = lines[name.casefold()]
        value.fault("every striker once (whatever its case)", f"'{name}' again (first in line {first})", "rename one")
        return None
    lines[name.casefold()] = value.line
    return name


def _notes(value: Value) -> tuple[int, ...]:
    notes = [entry.whole(None, 0, _HIGHEST_NOTE) for entry in value.items()]
    if value.is_nothing or value.is_mapping:
        value.fault("a list of MIDI notes")
        return ()
    return tuple(dict.fromkeys(note for note in notes if note is not None))


def _channel(fields: Fields) -> int | None:
    return fields.whole("channel", None, 1, 16) if fields.get("channel") else None


def _delay(fields: Fields, default: float) -> float:
    return fields.number("delay_ms", default, -1000, 1000)


def _claims(entry: Value, striker: Striker, others: list[Striker], lines: dict[str, int]) -> None:
    """Note the MIDI notes that two strikers claim on the same MIDI channel."""
    for other in others:
        if None not in (striker.channel, other.channel) and striker.channel != other.channel:
            continue
        for note in striker.notes:
            if note in other.notes:
                first = lines[other.name.casefold()]
                entry.fault(
                    f"every note on one striker (or on different MIDI channels), note {note} too",
                    f"it on '{other.name}' (line {first}) and on '{striker.name}'",
                    "take it from one of them",
                )


def _former_names(value: Value, strikers: list[Striker]) -> None:
    names = {striker.name for striker in strikers}
    taken = set()
    for striker in strikers:
        if striker.was is None:
            continue
        if striker.was in names or striker.was in taken:
            value.fault(
                f"a former name of '{striker.name}' that no other striker bears", f"'{striker.was}'", "correct 'was'"
            )
        taken.add(striker.was)


def _changed_strikers(value: Value, before: tuple[Striker, ...]) -> tuple[Striker, ...]:
    if not value.is_list:
        value.fault("a list of strikers, each {name: …} and what changes")
        return before
    strikers, seen = {striker.name: striker for striker in before}, {}
    for entry in value.items():
        fields = entry.fields("notes channel delay_ms was", required="name")
        name = _name(fields, seen)
        if name is None:
            continue
        if name not in strikers:
            if before:
                fields["name"].choice(None, list(strikers))
            continue
        old = strikers[name]
        notes = _notes(fields["notes"]) if "notes" in fields else old.notes
        channel = _channel(fields) if "channel" in fields else old.channel
        if set(notes) != set(old.notes) or channel != old.channel:
            key = "notes" if set(notes) != set(old.notes) else "channel"
            shown = list(notes) if key == "notes" else channel
            fields[key].fault(f"the {key} that stand under machine", f"{shown}", _DIFFERENT_NOTES)
        strikers[name] = replace(old, delay_ms=_delay(fields, old.delay_ms), was=fields.text("was", old.was))
    return tuple(strikers.values())
