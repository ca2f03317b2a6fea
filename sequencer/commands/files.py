"""Writing a text file whole: whoever reads it meanwhile has the old text or the new, never half."""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path


def replace_text(path: Path, text: str) -> None:
    """Put a text in a file's place, or make the file. Raises OSError; the file is then as it was.

    A link is followed, and a file that is there keeps its permissions.
    """
    target = path.resolve()
    # In the same folder, since only there a file takes another's place in one act.
    handle, beside = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(text.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
        mode = target.stat().st_mode & 0o7777 if target.exists() else 0o666 & ~_mask()
        os.chmod(beside, mode)
        os.replace(beside, target)
    except BaseException:
        with suppress(OSError):
            os.unlink(beside)
        raise


def _mask() -> int:
    """What the person takes away from new files; it can only be read by setting it."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
