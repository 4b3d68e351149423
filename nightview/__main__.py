"""The command line: ``nightview COMMAND``. Bad input ends with status 2 and never a traceback."""

from __future__ import annotations

import errno
import os
import signal
import sys
import traceback

from cyclopts import CycloptsError

from nightview.commands import app
from nightview.errors import NightviewError


def main(arguments: list[str] | None = None) -> int:
    """Run one command; returns the exit status: 0 done, 2 bad input, 70 a fault of our own, 130
    interrupted; 1 where ``check`` or ``wire`` has found something."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # ended in order, as by control-C
    try:
        status = app(sys.argv[1:] if arguments is None else arguments, exit_on_error=False,
            print_error=False, result_action="return_value")  # fmt: skip
        sys.stdout.flush()
    except NightviewError as error:
        print(f"nightview: {error}", file=sys.stderr)
        return 2
    except CycloptsError as error:
        print(f"nightview: {error}\nSee nightview --help.", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("nightview: stopped; nothing half-written was left behind", file=sys.stderr)
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO):
            return _own_fault(error)
        print(f"nightview: the output cannot be written ({error.strerror})", file=sys.stderr)
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115  what is left in it has no place to go
        return 2
    except MemoryError:
        print("nightview: out of memory; use fewer or coarser surfaces", file=sys.stderr)
        return 2
    except Exception as error:
        return _own_fault(error)
    return status if isinstance(status, int) else 0


def _own_fault(error: Exception) -> int:
    print(f"nightview: a fault of its own: {type(error).__name__}: {error}", file=sys.stderr)
    if os.environ.get("NIGHTVIEW_DEBUG"):
        traceback.print_exception(error)
    else:
        print("Set NIGHTVIEW_DEBUG=1 to see where.", file=sys.stderr)
    return 70


if __name__ == "__main__":
    sys.exit(main())
