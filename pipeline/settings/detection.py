"""Read how hits are to be found."""

from dataclasses import dataclass

from pipeline.settings.yaml_values import Fields, Value

_OFF = ("no", "off", "none", "false", "0", "~", "null", "")  # what may stand for "no mains hum"
_LONGEST_GAP_MS = 1000  # chosen: a longer one is a slip
_MAINS_HZ = (10, 500)  # railways 16.7, aircraft 400


@dataclass(frozen=True)
class Detection:
    """How hits are to be found."""

    minimum_gap_ms: float = 12.0  # between two strikes of one striker
    sensitivity: float = 0.5  # 0 to 1
    mains_hz: float | None = 50.0  # None: no mains hum
    idle_file: str | None = None  # a recording of the machine at rest


def read_detection(value: Value) -> Detection:
    """Read how hits are to be found; what is left out keeps the default of `Detection`."""
    fields = value.fields("minimum_gap_ms sensitivity mains_hz idle_file")
    default = Detection()
    idle_file = fields.path("idle_file") if fields.get("idle_file") else None
    if idle_file is not None:
        fields["idle_file"].require_file(idle_file, "a recording of the machine at rest")
    return Detection(
        minimum_gap_ms=fields.number("minimum_gap_ms", default.minimum_gap_ms, 0, _LONGEST_GAP_MS, above=True),
        sensitivity=fields.number("sensitivity", default.sensitivity, 0, 1),
        mains_hz=_mains(fields, default.mains_hz),
        idle_file=idle_file,
    )


def _mains(fields: Fields, default: float | None) -> float | None:
    if "mains_hz" not in fields:
        return default
    value = fields["mains_hz"]
    if value.is_scalar and value.node.value.casefold() in _OFF:
        return None
    return value.number(default, *_MAINS_HZ)
