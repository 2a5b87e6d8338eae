"""Put a backup in the place of the records: ``python -m rungwise.records restore BACKUP PLACE``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from getpass import getpass
from pathlib import Path

from rungwise.core.errors import RungwiseError
from rungwise.records.backup import restore
from rungwise.records.keys import key_file_of, unlock, unlock_by_recovery

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Restore a backup; asks for the passphrase, or for the recovery key.

    Returns
    -------
    int
        0 when it is restored, 2 when not; everything is as it was then [1].
    """
    parser = argparse.ArgumentParser(prog="python -m rungwise.records")
    parser.add_argument("verb", choices=("restore",), help="what to do")
    parser.add_argument("backup", type=Path, help="the backup")
    parser.add_argument("place", type=Path, help="file of the records")
    parser.add_argument("--recovery", action="store_true", help="ask for the recovery key")
    args = parser.parse_args(argv)
    place: Path = args.place
    beside = args.backup.with_name(key_file_of(place).name)
    keys = key_file_of(place) if key_file_of(place).exists() else beside
    try:
        if args.recovery:
            key = unlock_by_recovery(keys, getpass("Recovery key: "))
        else:
            key = unlock(keys, getpass("Passphrase: "))
        aside = restore(args.backup, place, key)
    except RungwiseError as error:
        sys.stderr.write(f"Not restored; everything is as it was. {error}\n")
        return 2
    sys.stdout.write(f"Restored {place.name}.\n")
    if aside is not None:
        sys.stdout.write(f"What stood there is now {aside.name}.\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
