"""Gather what is wrong, guess the slip, and read text files that people's programs saved in many ways."""

import difflib
import os

from pipeline.errors import InputError, is_unprintable

LONGEST_NAME, LONGEST_PATH = 255, 3000  # bytes; of common file systems (POSIX: PATH_MAX 4096, ours and endings added)
MOST_BYTES = 100_000_000  # of a text file; chosen: three million rows


class Faults:
    """Every fault found so far, with its place; `raise_all` says them at once, in the order of the files."""

    def __init__(self):
        self._found = {}  # (rank of the file, line, text), in the order of being found
        self._files = []

    def __len__(self) -> int:
        return len(self._found)

    def add(self, file: str, line: int | None, text: str) -> None:
        """Note one fault: `text` says what was expected; what was found; what to do."""
        if file not in self._files:
            self._files.append(file)
        place = f"{file} (line {line})" if line else file
        entry = (self._files.index(file), line or 0, f"{place}: {text}")
        # An alias in YAML is read at each of its uses, yet it is one fault.
        self._found.setdefault(entry)

    def add_all(self, texts) -> None:
        """Note faults that carry their places themselves, after all others."""
        for text in texts:
            self._found[len(self._files) + len(self._found), 0, text] = None

    def told(self) -> tuple[str, ...]:
        """Return all faults, in the order of the files."""
        return tuple(text for _, _, text in sorted(self._found, key=lambda fault: fault[:2]))

    def places(self) -> list[tuple[str, int | None]]:
        """Return the file and the line of each fault ('' for one that carries its place itself)."""
        return [(self._files[rank] if rank < len(self._files) else "", line or None) for rank, line, _ in self._found]

    def raise_all(self) -> None:
        """Raise InputError when there is any fault."""
        if self._found:
            raise InputError(*self.told())


def slip(word: str, choices) -> str:
    """Guess what was meant: " (did you mean '…'?)" for the choice nearest to `word`, '' when none is near."""
    by_folded = {choice.casefold(): choice for choice in choices}
    near = difflib.get_close_matches(word.casefold(), by_folded, n=1, cutoff=0.6)
    return f" (did you mean '{by_folded[near[0]]}'?)" if near else ""


def choice_of(choices) -> str:
    """List the choices as a person says them: 'a', 'b' or 'c'."""
    quoted = [f"'{choice}'" for choice in choices]
    if len(quoted) < 2:
        return "".join(quoted)
    return ", ".join(quoted[:-1]) + " or " + quoted[-1]


def near_file(path: str) -> str:
    """Guess the file that was meant from the names beside `path`."""
    folder, name = os.path.split(path)
    try:
        beside = os.listdir(folder or ".")
    except OSError:
        return f" (there is no folder '{folder}')" if folder else ""
    # Endings are alike everywhere, so that only what stands before them tells a slip from another file.
    stem = os.path.splitext(name)[0]
    by_stem = {os.path.splitext(entry)[0]: entry for entry in sorted(beside) if not entry.startswith(".")}
    near = difflib.get_close_matches(stem, by_stem, n=1, cutoff=0.7)
    return f" (did you mean '{os.path.join(folder, by_stem[near[0]])}'?)" if near else ""


def beside(configuration: str, path: str) -> str:
    """Return a path that starts at the configuration's own folder as one types it in the working folder."""
    typed = os.path.join(os.path.dirname(configuration), path)
    shorter = os.path.normpath(typed)
    # Behind a link to a folder, `..` leads elsewhere.
    return shorter if os.path.realpath(shorter) == os.path.realpath(typed) else typed


def path_fault(path: str) -> str | None:
    """Say why `path` cannot be used: the workflow engine reads braces as wildcards and one path per line."""
    if any(sign in path for sign in "{}"):
        return f"expected a path without braces; found '{path}'; rename it without {{ and }}"
    if any(is_unprintable(sign) for sign in path):
        found = f"found {path!r}; rename it without line breaks and control characters"
        return f"expected a path on one line, in UTF-8; {found}"
    if max(map(len, os.fsencode(path).split(b"/"))) > LONGEST_NAME or len(os.fsencode(path)) > LONGEST_PATH:
        return f"expected a path of names that a disk can hold; found one of {len(path)} letters; shorten it"
    return None


def read_text(path: str, faults: Faults, what: str) -> str | None:
    """Read a text file as UTF-8 (or UTF-16 when it says so), line ends as they are; None after a fault."""
    try:
        if os.path.exists(path) and not os.path.isfile(path):
            kind = "a folder" if os.path.isdir(path) else "a pipe or a device"  # which may never end
            faults.add(path, None, f"expected {what}; found {kind}; correct the path")
            return None
        if (size := os.path.getsize(path)) > MOST_BYTES:
            faults.add(path, None, f"expected {what}; found {size / 1e6:.0f} MB; correct the path")
            return None
        with open(path, "rb") as file:
            raw = file.read()
    except FileNotFoundError:
        faults.add(path, None, f"expected {what}; found no file{near_file(path)}; correct the path")
        return None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        faults.add(path, None, f"expected {what}; found that it cannot be read ({reason}); correct the path")
        return None
    if not raw.strip():
        faults.add(path, None, f"expected {what}; found an empty file; fill it, or correct the path")
        return None
    utf16 = raw[:2] in (b"\xff\xfe", b"\xfe\xff")
    try:
        text = raw.decode("utf-16" if utf16 else "utf-8-sig")
    except UnicodeDecodeError as error:
        if raw.count(b"\0") or not _mostly_text(raw):
            faults.add(path, None, f"expected {what}; found no text but a binary file; correct the path")
            return None
        line = raw.count(b"\n", 0, error.start) + 1
        faults.add(path, line, f"expected text in UTF-8; found the byte 0x{raw[error.start]:02x}; save it as UTF-8")
        return None
    if "\0" in text:
        faults.add(path, None, f"expected {what}; found no text but a binary file; correct the path")
        return None
    return text


def _mostly_text(raw: bytes) -> bool:
    """Tell text in another encoding from a binary file by its share of control characters."""
    start = raw[:4096]
    return sum(byte < 9 or 13 < byte < 32 for byte in start) <= 0.02 * len(start)
