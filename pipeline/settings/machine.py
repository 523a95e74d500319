"""Read the machine and what a set-up changes of it: barrel, shafts, flywheel, strikers."""

from dataclasses import dataclass

from pipeline.settings.faults import slip
from pipeline.settings.strikers import ONE_FOR_ALL_SETUPS, Striker, read_changed_strikers, read_strikers
from pipeline.settings.yaml_values import Fields, Value

DRIVES = ("belt", "toothed", "freewheel")
PINS = ("song", "turn")
# Chosen: what is larger is a slip (a unit, a missing decimal point), not a hand-built machine.
_MOST_MM = 20_000
_MOST_BARS_PER_TURN = 10_000
_MOST_TURNS = 100_000  # of a shaft, per turn of the barrel
_MOST_KG = 100_000
_MOST_KG_M2 = 1e6
_MOST_MOVE_MM = 100
_MOST_WHEELS = 1000


@dataclass(frozen=True)
class Barrel:
    """The barrel that carries the pins."""

    bars_per_turn: float | None = None  # None: not known, so there are no angles
    diameter_mm: float | None = None
    pins: str = "song"  # song: each note has its own pin; turn: the same pins come round every turn


@dataclass(frozen=True)
class Shaft:
    """A shaft or wheel besides the barrel, and what drives it."""

    name: str
    turns: float  # per turn of the barrel
    drive: str = "belt"  # one of DRIVES


@dataclass(frozen=True)
class Wheel:
    """One disc or ring of the flywheel as built; `count` of them."""

    mass_kg: float
    outer_mm: float
    inner_mm: float = 0.0
    count: int = 1


@dataclass(frozen=True)
class Flywheel:
    """Either `inertia_kg_m2` or `wheels`; it turns with the shaft named flywheel (else with the barrel)."""

    inertia_kg_m2: float | None = None
    diameter_mm: float | None = None
    wheels: tuple[Wheel, ...] = ()


@dataclass(frozen=True)
class Machine:
    """The machine in one set-up."""

    barrel: Barrel
    shafts: tuple[Shaft, ...]
    flywheel: Flywheel | None
    strikers: tuple[Striker, ...]
    finest_move_mm: float = 0.2  # smallest move of a pin or lever that the builder can make


# What machines of this kind usually have; what lies outside is allowed and doubted. Chosen: from a musical box to a
# wheel as high as a room.
_USUAL_BARREL_MM = 20, 4000
_USUAL_WHEEL_MM = 50, 4000
NO_MACHINE = Machine(Barrel(), (), None, ())  # where a configuration has none, or its own cannot be read


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
    before = base or NO_MACHINE
    return Machine(
        barrel=_barrel(fields["barrel"], before.barrel, base, warnings) if fields.get("barrel") else before.barrel,
        shafts=_shafts(fields, before.shafts, warnings),
        flywheel=_flywheel(fields["flywheel"], before.flywheel, warnings) if "flywheel" in fields else before.flywheel,
        strikers=_strikers(fields, base),
        finest_move_mm=fields.number("finest_move_mm", before.finest_move_mm, 0, _MOST_MOVE_MM, above=True),
    )


def _strikers(fields: Fields, base: Machine | None) -> tuple[Striker, ...]:
    if "strikers" not in fields:
        return base.strikers if base else ()
    value = fields["strikers"]
    return read_changed_strikers(value, base.strikers) if base else read_strikers(value)


def _doubt_diameter(fields: Fields, key: str, usual_mm: tuple[float, float], warnings: list[str]) -> None:
    """Warn of a diameter that such a part hardly has; guess the unit that was meant."""
    value_mm = fields.number(key, None, 0, _MOST_MM, above=True) if fields.get(key) else None
    if value_mm is None or usual_mm[0] <= value_mm <= usual_mm[1]:
        return
    units = (("metres", 1000), ("centimetres", 10), ("inches", 25.4), ("micrometres", 0.001))
    meant = [(unit, times) for unit, times in units if usual_mm[0] <= value_mm * times <= usual_mm[1]]
    guess = f"; is it in {meant[0][0]}? then write {value_mm * meant[0][1]:g}" if meant else "; look it over"
    value = fields[key]
    warnings.append(f"{value.file} (line {value.line}): {value.what}: {value_mm:g} mm is unusual{guess}")


def _barrel(value: Value, before: Barrel, base: Machine | None, warnings: list[str]) -> Barrel:
    fields = value.fields("bars_per_turn diameter_mm pins")
    barrel = Barrel(
        bars_per_turn=fields.number("bars_per_turn", before.bars_per_turn, 0, _MOST_BARS_PER_TURN, above=True),
        diameter_mm=fields.number("diameter_mm", before.diameter_mm, 0, _MOST_MM, above=True),
        pins=fields.choice("pins", before.pins, PINS),
    )
    _doubt_diameter(fields, "diameter_mm", _USUAL_BARREL_MM, warnings)
    if base is not None:
        for key in ("bars_per_turn", "pins"):
            if getattr(barrel, key) != getattr(before, key):
                fields[key].fault(f"what stands under machine ({getattr(before, key)})", do=ONE_FOR_ALL_SETUPS)
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
        return Shaft(name, value.number(1.0, 0, _MOST_TURNS, above=True))
    fields = value.fields("turns drive pulleys_mm")
    turns = fields.number("turns", old.turns if old else 1.0, 0, _MOST_TURNS, above=True)
    if "pulleys_mm" in fields:
        turns = _ratio(fields["pulleys_mm"], turns)
        if "turns" in fields:
            value.fault("either 'turns' or 'pulleys_mm'", "both", "delete one")
    elif "turns" not in fields and old is None:
        value.fault("'turns' or 'pulleys_mm'", "neither", "add one")
    return Shaft(name, turns, fields.choice("drive", old.drive if old else "belt", DRIVES))


def _ratio(value: Value, default: float) -> float:
    """Return the turns of the driven pulley per turn of the driver: the driver's diameter over that of the driven."""
    pulleys = value.items()
    if not value.is_list or len(pulleys) != 2:
        value.fault("two diameters: [driver, driven]")
        return default
    driver, driven = (pulley.number(None, 0, _MOST_MM, above=True) for pulley in pulleys)
    return driver / driven if driver and driven else default


def _flywheel(value: Value, before: Flywheel | None, warnings: list[str]) -> Flywheel | None:
    if value.is_nothing:
        return None
    if value.is_list:
        wheels = tuple(_wheel(entry, warnings) for entry in value.items())
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
    inertia = fields.number("inertia_kg_m2", old.inertia_kg_m2, 0, _MOST_KG_M2, above=True)
    diameter = fields.number("diameter_mm", old.diameter_mm, 0, _MOST_MM, above=True)
    _doubt_diameter(fields, "diameter_mm", _USUAL_WHEEL_MM, warnings)
    if "inertia_kg_m2" not in fields and not old.wheels and old.inertia_kg_m2 is None:
        value.fault("the key 'inertia_kg_m2'", "none", "add it, or give the wheel as a list of rings")
    return Flywheel(inertia, diameter, () if "inertia_kg_m2" in fields else old.wheels)


def _wheel(value: Value, warnings: list[str]) -> Wheel:
    fields = value.fields("inner_mm count", required="mass_kg outer_mm")
    wheel = Wheel(
        mass_kg=fields.number("mass_kg", 1.0, 0, _MOST_KG, above=True),
        outer_mm=fields.number("outer_mm", 1.0, 0, _MOST_MM, above=True),
        inner_mm=fields.number("inner_mm", 0.0, 0, _MOST_MM),
        count=fields.whole("count", 1, 1, _MOST_WHEELS),
    )
    _doubt_diameter(fields, "outer_mm", _USUAL_WHEEL_MM, warnings)
    if "inner_mm" in fields and "outer_mm" in fields and wheel.inner_mm >= wheel.outer_mm:
        value.fault(
            "an inner diameter below the outer one", f"inner_mm {wheel.inner_mm:g}, outer_mm {wheel.outer_mm:g}"
        )
    return wheel
