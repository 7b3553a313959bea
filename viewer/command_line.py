"""The command ``pilothole``: the one place where reading, measuring and showing are put together.

Exit codes: 0 done, 1 the plan has a ``stop`` finding (only with --strict), 2 bad input, 70 a fault of the
program itself. Bad input gets one sentence on standard error and no traceback; PILOTHOLE_TRACEBACK=1 shows
where it arose.
"""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from segmentation.errors import InputError
from viewer.commands.compare import compare
from viewer.commands.demo import demo
from viewer.commands.measure import measure
from viewer.commands.reduce import reduce
from viewer.commands.report import report
from viewer.commands.scan import scan
from viewer.commands.schema import schema
from viewer.commands.screws import screws
from viewer.commands.search import search
from viewer.commands.segment import segment
from viewer.commands.threads import threads
from viewer.commands.validate import validate
from viewer.commands.view import view
from viewer.console import complain, say, tolerate_any_terminal

BAD_INPUT, OWN_FAULT, INTERRUPTED = 2, 70, 130
"""Exit codes. 70 is EX_SOFTWARE of BSD's sysexits.h; 130 is 128 + SIGINT (common practice)."""

app = typer.Typer(
    name="pilothole",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    help=(
        "Plan bone screws on CT: length, thread engagement, density, clearance and pull-out, with intervals."
        "\n\n\b\nExamples:\n"
        "  pilothole demo                                    two bones of our own, from CT to report\n"
        "  pilothole scan dicom/                             what is there, and what would be loaded\n"
        "  pilothole segment ct.nii.gz --out case            a CT becomes a case folder\n"
        "  pilothole reduce case --move 2 --onto 1           a displaced fragment is brought back\n"
        "  pilothole measure case --plan plan.json           every number for each screw\n"
        "  pilothole compare case                            screws and lengths side by side\n"
        "  pilothole threads case                            which thread holds best there, and why\n"
        "  pilothole search case                             the best screws: where, how long, which\n"
        "  pilothole view case                               place screws by hand, in your browser\n"
        "  pilothole report case                             one HTML page, prints on A4\n\n"
        "For planning discussion, research and teaching; not a medical device. Numbers are estimates with "
        "the stated intervals; verify by imaging in theatre; the decision belongs to a licensed surgeon."
    ),
)
for command in (
    *(demo, scan, segment, reduce, measure, compare, search),
    *(view, report, screws, threads, schema, validate),
):
    app.command()(command)


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import PackageNotFoundError, version

        try:
            say(f"pilothole {version('pilothole')}")
        except PackageNotFoundError:
            say("pilothole (not installed)")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", help="Show the version.", callback=_show_version, is_eager=True)
    ] = False,
) -> None:
    pass


def run(arguments: Sequence[str]) -> int:
    """Run ``pilothole`` with these arguments; returns the exit code."""
    try:
        code = typer.main.get_command(app).main(
            list(arguments) or ["--help"], prog_name="pilothole", standalone_mode=False
        )
    except InputError as fault:
        return _refused(str(fault))
    except MemoryError:
        return _refused("this computer's memory is too small for this; close other programs or crop the scan")
    except (KeyboardInterrupt, typer.Abort):
        complain("stopped; every existing file is as it was")
        return INTERRUPTED
    except OSError as refusal:
        return _refused(
            f"the system refuses ({refusal.strerror or type(refusal).__name__}); check disk and rights"
        )
    except Exception as fault:  # the last door: a person gets a sentence, whatever happened
        if hasattr(fault, "format_message"):
            # A usage error; its class has another name in each version of typer.
            return _refused(f"{fault.format_message().rstrip('.')}; see 'pilothole --help'")
        if os.environ.get("PILOTHOLE_TRACEBACK"):
            raise
        complain(
            f"a fault of the program itself ({type(fault).__name__}: {fault}); please report it, with what "
            "PILOTHOLE_TRACEBACK=1 shows"
        )
        return OWN_FAULT
    return code if isinstance(code, int) else 0


def _refused(sentence: str) -> int:
    if os.environ.get("PILOTHOLE_TRACEBACK"):
        import traceback

        traceback.print_exc()
    complain(sentence)
    return BAD_INPUT


def main() -> None:
    """The entry point of the installed command."""
    tolerate_any_terminal()
    keep_compiled_loops_with_the_user()
    take_one_blas_thread()
    if not sys.warnoptions:
        # A warning is for whoever writes code; what a person should know stands in notes and findings.
        warnings.simplefilter("ignore")
    sys.exit(run(sys.argv[1:]))


def keep_compiled_loops_with_the_user() -> None:
    """Let compiled loops be kept in the user's cache folder.

    Beside the code they would outlive an uninstall, and their folder would hide the next install.
    """
    try:
        cache = Path(os.environ.get("XDG_CACHE_HOME") or Path("~/.cache").expanduser())
    except RuntimeError:  # a user without a home
        return
    os.environ.setdefault("NUMBA_CACHE_DIR", str(cache / "pilothole"))


def take_one_blas_thread() -> None:
    """One thread for matrix products, unless the user says otherwise; it must be said before numpy is loaded.

    Ours are long and three wide: more threads wait for each other and take the cores from all else.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


if __name__ == "__main__":
    main()
