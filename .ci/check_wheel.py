"""Compare a wheel with the files that git keeps: nothing missing, nothing at the top but us."""

import subprocess
import sys
import zipfile
from pathlib import PurePosixPath

ROOMS = ("vision", "decoder", "tools", "sample_frames")


def main(wheel: str) -> int:
    """Exit status 0 where the wheel holds exactly the tracked files of the rooms."""
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if not name.endswith("/")}
    tops = {PurePosixPath(name).parts[0] for name in names}
    stray = {top for top in tops if top != "mastread" and not top.endswith(".dist-info")}
    packed = {name.removeprefix("mastread/") for name in names if name.startswith("mastread/")}
    listing = subprocess.run(
        ["git", "ls-files", "-z", *ROOMS], check=True, capture_output=True, text=True
    )
    tracked = {name for name in listing.stdout.split("\0") if name}
    for label, found in (
        ("stray top-level name", stray),
        ("missing from the wheel", tracked - packed),
        ("in the wheel but not in git", packed - tracked),
    ):
        for name in sorted(found):
            print(f"{label}: {name}", file=sys.stderr)
    wrong = bool(stray or tracked ^ packed)
    print(f"wheel: {len(packed)} files{'' if wrong else ', as in the folders'}")
    return int(wrong)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
