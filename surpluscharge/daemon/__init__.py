"""The shell: asyncio tasks around the core."""

import sys

# structlog takes rich with it where that is installed, to draw tracebacks: ours are lines. Without it the daemon is
# 4 MiB smaller there. Who draws with it has it all the same.
if "rich" not in sys.modules:
    sys.modules["rich"] = None  # type: ignore[assignment]
    try:
        import structlog  # noqa: F401
    finally:
        del sys.modules["rich"]
