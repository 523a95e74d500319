"""Name what `pindrift export` has written, as links beside the page: only files that are there.

In: the folder of exports. Out: links with their words.
"""

from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from pipeline.settings import Settings

FOLDER = "exports"
OF_RECORDING = {
    ".wav": "ticks and machine (WAV)",
    "-mended.wav": "a sketch of it with the sure jobs done (WAV)",
    ".mid": "the machine’s tempo (MIDI)",
    "-hits.mid": "strikes (MIDI)",
}
TO_PRINT = (".html", ".pdf", ".svg", ".csv")


@dataclass(frozen=True)
class Links:
    """Links that stand in one line: what they are of, and (words, where to)."""

    of: str
    given: tuple[tuple[str, str], ...]

    @property
    def has_sound(self) -> bool:
        """Tell whether one of the files is sound."""
        return any(to.endswith(".wav") for _, to in self.given)


def links(settings: Settings) -> list[Links]:
    """Return the links to what is there: sheets first, then a line a recording, in the order of the list."""
    there = {path.name for path in Path(settings.results, FOLDER).glob("*") if path.is_file()}
    found = [Links(one.recording, _of_recording(one.recording, there)) for one in settings.recordings]
    sheets = sorted(name for name in there if Path(name).suffix in TO_PRINT and not name.startswith("."))
    found.insert(0, Links("", tuple((name, _to(name)) for name in sheets)))
    return [one for one in found if one.given]


def _of_recording(recording: str, there: set[str]) -> tuple[tuple[str, str], ...]:
    return tuple((said, _to(recording + end)) for end, said in OF_RECORDING.items() if recording + end in there)


def _to(name: str) -> str:
    return quote(f"../{FOLDER}/{name}")
