"""Read the strikers, and what a set-up changes of them."""

from dataclasses import dataclass, replace

from pipeline.settings.note_names import HIGHEST, note_number
from pipeline.settings.yaml_values import Fields, Value

RESERVED = ("everything", "index", "click")  # what `hears` says besides strikers
ONE_FOR_ALL_SETUPS = "leave it out: the notes are one table for all set-ups; keep a configuration of its own for it"
MIDI_CHANNELS = 16
_LONGEST_DELAY_MS = 1000  # chosen: a longer one is a slip; sound takes a second for 340 m


@dataclass(frozen=True)
class Striker:
    """One striker: `notes` are the MIDI notes that fire it, `was` its former name."""

    name: str
    notes: tuple[int, ...]
    channel: int | None = None  # MIDI channel 1-16; None: any
    delay_ms: float = 0.0  # of its microphone
    was: str | None = None


def read_strikers(value: Value) -> tuple[Striker, ...]:
    """Read the strikers of the machine, in their order."""
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
        _note_double_claims(entry, striker, strikers, lines)
        strikers.append(striker)
    _check_former_names(value, strikers)
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
    notes = [_note(entry) for entry in value.items()]
    if value.is_nothing or value.is_mapping:
        value.fault("a list of MIDI notes")
        return ()
    return tuple(dict.fromkeys(note for note in notes if note is not None))


def _note(entry: Value) -> int | None:
    """Return a MIDI note, written as a number or as a name (60 or C4)."""
    typed = entry.node.value.strip() if entry.is_scalar else ""
    number = note_number(typed)
    if number is None and typed[:1].isalpha() and not entry.is_nothing:
        entry.fault(f"a MIDI note from 0 to {HIGHEST}, or its name from C-1 to G9 (C4 is 60)")
        return None
    return entry.whole(None, 0, HIGHEST) if number is None else number


def _channel(fields: Fields) -> int | None:
    return fields.whole("channel", None, 1, MIDI_CHANNELS) if fields.get("channel") else None


def _delay(fields: Fields, default: float) -> float:
    return fields.number("delay_ms", default, -_LONGEST_DELAY_MS, _LONGEST_DELAY_MS)


def _note_double_claims(entry: Value, striker: Striker, others: list[Striker], lines: dict[str, int]) -> None:
    """Note a fault for each MIDI note that another striker claims too, on the same MIDI channel."""
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


def _check_former_names(value: Value, strikers: list[Striker]) -> None:
    """Note a fault for each former name that another striker bears or bore."""
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


def read_changed_strikers(value: Value, before: tuple[Striker, ...]) -> tuple[Striker, ...]:
    """Read what a set-up changes of the strikers; return all of them, in the order of `before`."""
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
            fields[key].fault(f"the {key} that stand under machine", f"{shown}", ONE_FOR_ALL_SETUPS)
        strikers[name] = replace(old, delay_ms=_delay(fields, old.delay_ms), was=fields.text("was", old.was))
    return tuple(strikers.values())


def players_of(strikers: tuple[Striker, ...]) -> dict[tuple[int, int], str]:
    """Return the name of the striker that plays each (MIDI channel, pitch); a note that none plays has no entry."""
    return {
        (channel, pitch): striker.name
        for striker in strikers
        for pitch in striker.notes
        for channel in ([striker.channel] if striker.channel else range(1, MIDI_CHANNELS + 1))
    }
