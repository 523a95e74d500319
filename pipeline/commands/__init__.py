"""The user's commands: `pindrift new`, `check`, `run`, `look`.

A command is imported only when it is asked for, and imports only what it needs: the answer to a slip of the fingers
comes at once.
"""

import argparse
import os
import sys
from importlib import import_module

from pipeline.errors import InputError

STOPPED = 130  # the exit status of what Ctrl-C has ended, as shells count


def main(words: list[str] | None = None) -> int:
    """Run the command that stands in `words` (by default the command line); return the exit status."""
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(errors="replace")  # a terminal that cannot show a sign shows ? in its place
    asked = vars(_parser().parse_args(words))
    name = asked.pop("command")
    try:
        status = import_module(f"pipeline.commands.{name}").command(**asked) or 0
        sys.stdout.flush()
        return status
    except InputError as error:
        print("\n".join(error.faults), file=sys.stderr)
    except KeyboardInterrupt:
        print("stopped; start again with the same command", file=sys.stderr)
        return STOPPED
    except BrokenPipeError:  # whoever read the output, such as `head`, has read enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except Exception as error:
        from pipeline import failures

        if not failures.is_of_the_machine(error):
            raise
        print(failures.line(f"pindrift {name}", error), file=sys.stderr)
    return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="pindrift", description="Find where a mechanical music machine drifts from its arrangement, and why."
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

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
    run.add_argument("--cores", type=_cores, default=None, metavar="N", help="how many to use; all if not said")
    run.add_argument("--log", action="store_true", help="show what the workflow engine says")
    return parser


def _cores(typed: str) -> int:
    if not typed.isdecimal() or not int(typed):
        raise argparse.ArgumentTypeError(f"expected a whole number from 1; found '{typed}'")
    return int(typed)
