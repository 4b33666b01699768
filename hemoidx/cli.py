"""
The command line.

Exit codes: 0 done, 1 some recordings failed, 2 wrong use or unreadable input. An error is one plain line on
stderr; `--debug` adds the traceback. Progress goes to stderr, results to stdout.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NoReturn

from hemoidx import __version__

CAUTION = (
    "Retrospective research and teaching only; not for patient care. "
    "Local codes and licensed practice come first."
)
_INTERRUPTED = 130
_FAILURES_SHOWN = 10


class _Parser(argparse.ArgumentParser):
    """A parser whose complaints are one line, like every other error."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"hemoidx: {message}; see: {self.prog} --help\n")


def main(arguments: Sequence[str] | None = None) -> int:
    """
    Run a command.

    Parameters
    ----------
    arguments : sequence of str, optional
        What follows `hemoidx` on the command line; that of this process if left out.

    Returns
    -------
    int
        Exit code: 0 done, 1 some recordings failed, 2 wrong use or unreadable input.
    """
    parser = _parser()
    chosen = parser.parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = chosen.command
    try:
        return command(chosen)
    except KeyboardInterrupt:
        _say("stopped by hand; nothing half-written was left behind")
        return _INTERRUPTED
    except BrokenPipeError:
        # The reader of our output, such as `head`, has seen enough.
        sys.stdout = None
        return 0
    except Exception as error:
        if chosen.debug:
            raise
        _say(_in_one_line(error))
        return 2


def _parser() -> argparse.ArgumentParser:
    debug = _Parser(add_help=False)
    debug.add_argument(
        "--debug",
        action="store_true",
        default=argparse.SUPPRESS,
        help="show where in the program an error arose",
    )
    parser = _Parser(
        prog="hemoidx",
        description="From arterial pressure recordings to beats, indices and what can be believed of them.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"hemoidx {__version__}")
    parser.add_argument("--debug", action="store_true", help="show where in the program an error arose")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)

    demo = commands.add_parser(
        "demo", parents=[debug], epilog=CAUTION, help="simulated teaching cohort, analysed; needs no network",
        description="Simulate a small teaching cohort, write it, read it back, analyse it, show the result.",
    )  # fmt: skip
    demo.add_argument(
        "--out", type=Path, default=Path("hemoidx-demo"), metavar="DIR", help="folder to write (%(default)s)"
    )
    demo.set_defaults(command=_demo)

    analyse = commands.add_parser(
        "analyse", parents=[debug], epilog=CAUTION, help="one recording: tables and report",
        description="Analyse the arterial pressure of one recording: tables as Parquet, and report.html.",
    )  # fmt: skip
    analyse.add_argument(
        "recording", metavar="RECORDING",
        help="path of a WFDB, CSV or Parquet recording, or database/record under the data root",
    )  # fmt: skip
    analyse.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write")
    analyse.add_argument(
        "--units", action="append", metavar="[NAME=]UNIT",
        help="mmHg, kPa or cmH2O for pressures of a CSV or Parquet file that states none, or for one "
        "channel by its name; may be repeated",
    )  # fmt: skip
    analyse.add_argument("--channel", metavar="NAME", help="channel to analyse, if not the usual one")
    analyse.add_argument(
        "--context", type=Path, metavar="FILE", help="what the wave cannot tell: YAML, JSON, CSV or Parquet"
    )
    analyse.add_argument(
        "--edits",
        type=Path,
        metavar="FILE",
        help="beats and spans changed by hand: YAML, JSON, CSV or Parquet",
    )
    analyse.set_defaults(command=_analyse)

    cohort = commands.add_parser(
        "cohort", parents=[debug], epilog=CAUTION, help="many recordings, resumable, to Parquet data sets",
        description="Analyse all recordings of a folder, a list or a database. Stopped at any moment, the "
        "same command goes on where it was; a recording that fails, hangs or crashes stops no other.",
    )  # fmt: skip
    cohort.add_argument(
        "source", metavar="SOURCE",
        help="a folder, a list of recordings (.txt, or .csv or .parquet with a column source), or a database "
        "under the data root",
    )  # fmt: skip
    cohort.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder of the results")
    cohort.add_argument("--channel", metavar="NAME", help="channel to analyse, if not the usual one")
    cohort.add_argument(
        "--context", type=Path, metavar="TABLE",
        help="context by record_id: CSV or Parquet; its other columns are groups",
    )  # fmt: skip
    cohort.add_argument("--edits", type=Path, metavar="TABLE", help="edits by record_id: CSV or Parquet")
    cohort.add_argument("--units", action="append", metavar="[NAME=]UNIT", help="as for analyse")
    cohort.add_argument(
        "--workers",
        type=int,
        metavar="N",
        help="processes on this machine (one a core); 0: this process alone",
    )
    cohort.add_argument("--scheduler", metavar="ADDRESS", help="a dask scheduler, such as tcp://host:8786")
    cohort.add_argument(
        "--limit", type=float, metavar="SECONDS", help="give a recording up that takes longer than this"
    )
    cohort.add_argument(
        "--memory",
        type=float,
        metavar="GIB",
        help="what each process may take; a recording that needs more fails",
    )
    cohort.set_defaults(command=_cohort)

    fetch = commands.add_parser(
        "fetch", parents=[debug], epilog=CAUTION, help="recordings of open databases, into the data root",
        description="Fetch recordings of an open database: checked against its checksums, and gone on with "
        "where it was stopped. Terms are shown, never accepted for you; credentials come from HEMOIDX_USER "
        "and HEMOIDX_PASSWORD or from netrc.",
    )  # fmt: skip
    fetch.add_argument("database", nargs="?", metavar="DATABASE", help="name of the database, see --list")
    fetch.add_argument(
        "records", nargs="*", metavar="RECORD", help="recordings or patterns with *; all if left out"
    )
    fetch.add_argument(
        "--list", action="store_true", help="list the databases that are known, or tell of one"
    )
    fetch.add_argument("--base-url", metavar="URL", help="another server of the same layout")
    fetch.add_argument(
        "--root", type=Path, metavar="DIR", help="data root, if not HEMOIDX_DATA or the usual one"
    )
    fetch.add_argument(
        "--workers", type=int, default=4, metavar="N", help="connections at a time (%(default)s)"
    )
    fetch.set_defaults(command=_fetch)

    page = commands.add_parser(
        "open", parents=[debug], epilog=CAUTION, help="see a recording, a cohort or a bench as a page",
        description="Serve a view as a page on this machine, to nobody without its token; no network.",
    )  # fmt: skip
    page.add_argument(
        "what", metavar="WHAT",
        help="a recording, the folder of an analysis or of a cohort, a table of recordings, or a bench: "
        "line, swings, mystery",
    )  # fmt: skip
    page.add_argument("--port", type=int, default=0, metavar="N", help="port on this machine (a free one)")
    page.add_argument("--no-browser", action="store_true", help="only say where the page is")
    page.set_defaults(command=_open)

    _paper_parsers(commands, debug)

    indices = commands.add_parser(
        "indices", parents=[debug], epilog=CAUTION, help="the catalogue of indices",
        description="List the indices, or say all that is known of one: definition, sources, rules, limits.",
    )  # fmt: skip
    indices.add_argument("name", nargs="?", metavar="NAME", help="name of one index, such as dpdt_max")
    indices.set_defaults(command=_indices)

    validate = commands.add_parser(
        "validate", parents=[debug], epilog=CAUTION, help="runs the published checks",
        description="Hold every published reference value against hemoidx; exit code 1 if one disagrees.",
    )  # fmt: skip
    validate.add_argument(
        "--out", type=Path, metavar="DIR", help="folder for the table, as Parquet, JSON, page"
    )
    validate.set_defaults(command=_validate)
    return parser


def _paper_parsers(commands: Any, debug: argparse.ArgumentParser) -> None:
    paper = commands.add_parser(
        "paper", parents=[debug], epilog=CAUTION, help="what a paper needs of a cohort: page, tables",
        description="Exclusion flow, verdicts by group, sensitivity to masking, summaries over patients, "
        "methods and citations of a cohort, as one page with tables and pictures beside it.",
    )  # fmt: skip
    paper.add_argument("cohort", type=Path, metavar="COHORT", help="folder that `hemoidx cohort` wrote")
    paper.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder to write")
    paper.add_argument(
        "--index", action="append", metavar="NAME", help="index to tell of; may be repeated (the usual ones)"
    )
    paper.add_argument("--by", metavar="COLUMN", help="group column of the context table")
    paper.add_argument(
        "--least-windows", type=int, default=1, metavar="N",
        help="windows of 30 s with a value that a recording needs (%(default)s)",
    )  # fmt: skip
    side = paper.add_mutually_exclusive_group()
    side.add_argument("--below", type=float, metavar="VALUE", help="exposure: time below this threshold")
    side.add_argument("--above", type=float, metavar="VALUE", help="exposure: time above this threshold")
    paper.add_argument(
        "--exposure-of", default="mbp", metavar="NAME", help="index of beats for it (%(default)s)"
    )
    paper.set_defaults(command=_paper)

    plan = commands.add_parser(
        "plan", parents=[debug], epilog=CAUTION, help="what a database would cost, from a cohort",
        description="Reckon time, bytes and commands for a database from a cohort that was run.",
    )  # fmt: skip
    plan.add_argument("cohort", type=Path, metavar="COHORT", help="a cohort like what is planned, run before")
    size = plan.add_mutually_exclusive_group(required=True)
    size.add_argument("--hours", type=float, metavar="H", help="signal of the database [h]")
    size.add_argument("--terabytes", type=float, metavar="TB", help="or its files, of the same format")
    plan.add_argument("--workers", type=int, required=True, metavar="N", help="processes that share the work")
    plan.add_argument(
        "--efficiency", type=float, default=0.9, metavar="SHARE",
        help="speed-up of n workers over n, as you measured it (%(default)s)",
    )  # fmt: skip
    plan.set_defaults(command=_plan)


def _demo(chosen: argparse.Namespace) -> int:
    from hemoidx import demo

    made = demo.run(chosen.out)
    print(f"{made.n_recordings} invented recordings, {made.n_beats} beats found. Look at: {made.index}")
    return 0


def _analyse(chosen: argparse.Namespace) -> int:
    import hemoidx as hx
    from hemoidx.output import refuse_foreign, whole_folder

    refuse_foreign(chosen.out, "analysis.json")
    recording = hx.load(chosen.recording, units=_units(chosen.units))
    result = hx.analyse(recording, channel=chosen.channel, context=chosen.context, edits=chosen.edits)
    with whole_folder(chosen.out) as folder:
        result.save(folder)
        result.report(folder / "report.html")
    found = f"{len(result.beats)} beats" if len(result.beats) else "no pulse was found"
    print(f"{result.channel}: {found}. Look at: {chosen.out / 'report.html'}")
    return 0


def _cohort(chosen: argparse.Namespace) -> int:
    import hemoidx as hx

    cohort = hx.run_cohort(
        chosen.source,
        chosen.out,
        channel=chosen.channel,
        context=chosen.context,
        edits=chosen.edits,
        units=_units(chosen.units),
        workers=chosen.workers,
        scheduler=chosen.scheduler,
        limit_s=chosen.limit,
        memory_limit=None if chosen.memory is None else int(chosen.memory * 1024**3),
    )
    done, failed = len(cohort.done), len(cohort.failures)
    print(f"{done} of {len(cohort)} recordings analysed, {cohort.members['hours'].sum():.1f} h of signal.")
    for _, row in cohort.failures.head(_FAILURES_SHOWN).iterrows():
        print(f"{row['record_id']}: {row['kind']}: {row['reason']}")
    if failed > _FAILURES_SHOWN:
        print(f"... {failed - _FAILURES_SHOWN} more")
    print(f"Look at: {chosen.out}" + (f" and {chosen.out / 'failures.parquet'}" if failed else ""))
    return 1 if failed else 0


def _paper(chosen: argparse.Namespace) -> int:
    import hemoidx as hx

    page = hx.Cohort.open(chosen.cohort).write_paper(
        chosen.out,
        chosen.index,
        by=chosen.by,
        least_windows=chosen.least_windows,
        exposure_of=chosen.exposure_of,
        below=chosen.below,
        above=chosen.above,
    )
    print((chosen.out / "flow.txt").read_text(encoding="utf-8").rstrip())
    print(f"Look at: {page}")
    return 0


def _plan(chosen: argparse.Namespace) -> int:
    import hemoidx as hx
    from hemoidx.cohort.plan import plan

    cohort = hx.Cohort.open(chosen.cohort)
    cost = cohort.cost()
    hours = chosen.hours if chosen.hours is not None else chosen.terabytes * 1e12 / cost.read_per_hour
    made = plan(cost, hours, chosen.workers, chosen.efficiency)
    print(f"{made.text()}\n\n{made.commands()}", end="")
    return 0


def _fetch(chosen: argparse.Namespace) -> int:
    import hemoidx as hx
    from hemoidx.errors import InputError

    known = hx.databases()
    if chosen.list or chosen.database is None:
        if chosen.database is None and not chosen.list:
            raise InputError("fetch: name a database; --list shows those that are known")
        print(known[chosen.database] if chosen.database else repr(known))
        return 0
    entry = known[chosen.database]
    _say(f"{entry.title}: {entry.terms()}")
    found = hx.fetch(
        chosen.database, chosen.records, base_url=chosen.base_url, root=chosen.root, workers=chosen.workers
    )
    print(f"{len(found.files)} files in place, {len(found.new)} of them new. Look at: {found.folder}")
    if found.unverified:
        print(f"{len(found.unverified)} of them could not be verified: no checksum of them is published")
    for name, reason in list(found.failed.items())[:_FAILURES_SHOWN]:
        print(f"{name}: {reason}")
    if entry.citation:
        print(f"Cite: {known.citation(entry.slug)}")
    return 1 if found.failed else 0


def _open(chosen: argparse.Namespace) -> int:
    from hemoidx.explore.serving import open_page

    open_page(chosen.what, chosen.port, not chosen.no_browser, told=lambda words: print(words, flush=True))
    return 0


def _units(given: list[str] | None) -> str | dict[str, str] | None:
    """Units as `hemoidx.load` takes them: one for all, or by channel."""
    from hemoidx.errors import InputError

    if not given:
        return None
    by_name = {name: unit for name, equals, unit in (text.rpartition("=") for text in given) if equals}
    if not by_name and len(given) == 1:
        return given[0]
    if len(by_name) < len(given):
        raise InputError("--units: give one unit for all pressures, or NAME=UNIT for each channel once")
    return by_name


def _indices(chosen: argparse.Namespace) -> int:
    from hemoidx.indices import default_catalogue
    from hemoidx.report.catalogue import describe, listing

    catalogue = default_catalogue()
    print(listing(catalogue) if chosen.name is None else describe(catalogue[chosen.name]))
    return 0


def _validate(chosen: argparse.Namespace) -> int:
    from hemoidx.validation import suite

    table = suite.run()
    print(suite.text(table))
    if chosen.out is not None:
        suite.write(table, chosen.out)
        print(f"Look at: {chosen.out / 'validation.html'}")
    return 1 if len(suite.failed(table)) else 0


def _in_one_line(error: Exception) -> str:
    from hemoidx.errors import HemoidxError

    if isinstance(error, OSError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror}"
    words = " ".join(str(error).split())
    if isinstance(error, HemoidxError):
        return words
    return f"unexpected {type(error).__name__} ({words}); this is a fault of hemoidx: --debug shows where"


def _say(words: str) -> None:
    print(f"hemoidx: {words}", file=sys.stderr)


if __name__ == "__main__":
    sys.exit(main())
