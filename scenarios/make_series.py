"""Write the invented meter series and trips of the scenarios; `--check` only compares them with the files."""

import argparse
import sys
from pathlib import Path

from series import boatyard, bookbindery, veterinary

SCENARIOS = Path(__file__).parent
SITES = {"bookbindery": bookbindery.make, "veterinary": veterinary.make, "boatyard": boatyard.make}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing; exit with 1 if a file differs")
    check = parser.parse_args().check
    differing = 0
    for site, make in SITES.items():
        for name, text in make().items():
            path = SCENARIOS / site / name
            if not check:
                path.write_bytes(text.encode())
            elif not path.exists() or path.read_bytes() != text.encode():
                print(f"{site}/{name} differs from what this script makes", file=sys.stderr)
                differing += 1
    if check and not differing:
        print("all files are as this script makes them")
    return 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main())
