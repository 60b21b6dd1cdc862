"""Run the examples in docstrings of packages; that there are none yet is no failure, that one is wrong is.

python .ci/doctests.py PACKAGE...
"""

import subprocess
import sys

NONE_COLLECTED = 5


def main(packages: list[str]) -> int:
    done = subprocess.run([sys.executable, "-m", "pytest", "--doctest-modules", *packages], check=False)
    if done.returncode == NONE_COLLECTED:
        print(f"no examples in {', '.join(packages)}")
        return 0
    return done.returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
