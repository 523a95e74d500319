"""The user's commands: `pindrift new`, `check`, `run`, `look`, `export`.

A command is imported only when it is asked for, and imports only what it needs: the answer to a slip of the fingers
comes at once.
"""

import argparse
import os
import sys
from importlib import import_module

from pipeline.commands import terminal
from pipeline.errors import InputError

MOST_BPM = 2000  # chosen: what is larger is a slip
STOPPED = 130  # the exit status of what Ctrl-C has ended, as shells count


def main(words: list[str] | None = None) -> int:
    """Run the command that stands in `words` (by default the command line); return the exit status."""
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(errors="replace")  # a terminal that cannot show a sign shows ? in its place
    parser = _parser()
    asked = vars(parser.parse_args(words))
    name = asked.pop("command")
    if name is None:
        parser.print_help()
        return 0
    try:
        status = import_module(f"pipeline.commands.{name}").command(**asked) or 0
        sys.stdout.flush()
        return status
    except InputError as error:
        terminal.say_faults(error.faults)
    except KeyboardInterrupt:
        print("stopped; start again with the same command", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:  # whoever read the output, such as `head`, has read enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except Exception as error:
        from pipeline import failures

        if not failures.is_of_the_machine(error):
            raise
        terminal.say_faults((failures.line(f"pindrift {name}", error),))
    return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="pindrift",
        description="Find where a mechanical music machine drifts from its arrangement, and why.",
        epilog="To begin: pindrift new FOLDER --arrangement song.mid --recordings takes",
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")

    def add(name: str, said: str) -> argparse.ArgumentParser:
        return commands.add_parser(name, help=said, description=said[0].upper() + said[1:] + ".")

    new = add("new", "draft a configuration from an arrangement and a folder of recordings")
    new.add_argument("folder", metavar="FOLDER", help="for the configuration and its results")
    new.add_argument("--arrangement", required=True, metavar="FILE", help="standard MIDI file")
    new.add_argument("--recordings", required=True, metavar="FOLDER", help="audio, folders of tracks, lists of hits")
    check = add("check", "look a configuration over, with all it names; nothing is run")
    check.add_argument("config", metavar="CONFIG")
    run = add("run", "make the report of a configuration; what is still true is kept")
    run.add_argument("config", metavar="CONFIG")
    run.add_argument("--cores", type=_whole, default=None, metavar="N", help="how many to use; all if not said")
    run.add_argument("--log", action="store_true", help="show what the workflow engine says")
    export = add("export", "write a work sheet, MIDI files and sound from the results of a run")
    export.add_argument("config", metavar="CONFIG")
    whose = "whose sound to write; of the newest takes if not said"
    export.add_argument("recordings", metavar="RECORDING", nargs="*", help=whose)
    export.add_argument("--csv", action="store_true", help="copy the tables for a spreadsheet, too")
    look = add("look", "say how evenly a take is played, without a configuration, with one picture")
    look.add_argument(
        "takes", metavar="TAKE", nargs="+", help="recording, folder of tracks or list of hits; two: overlaid"
    )
    look.add_argument("--bpm", type=_positive, required=True, help="beats a minute")
    look.add_argument("--click", type=_whole, metavar="N", help="the channel of the metronome")
    look.add_argument("--every", metavar="STEP", help="of strikes: bar, beat, half, third or quarter (of a beat)")
    look.add_argument("--beats-per-bar", type=_whole, default=4, metavar="N", help="4 if not said")
    look.add_argument("--to", metavar="FILE", help="where the picture goes (SVG); into the working folder if not said")
    return parser


def _whole(typed: str) -> int:
    if not typed.isdecimal() or not int(typed):
        raise argparse.ArgumentTypeError(f"expected a whole number from 1; found '{typed}'")
    return int(typed)


def _positive(typed: str) -> float:
    try:
        number = float(typed)
    except ValueError:
        number = 0.0
    if not 0 < number < MOST_BPM:
        raise argparse.ArgumentTypeError(f"expected a number above 0 and below {MOST_BPM}; found '{typed}'")
    return number
