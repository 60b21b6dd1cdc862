"""Run every command of the README's ```bash blocks, each block as one script from the top of the checkout."""

import re
import subprocess
import sys
from pathlib import Path


def main() -> int:
    readme = Path(sys.argv[1])
    blocks = re.findall(r"^```bash\n(.*?)^```", readme.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    if not blocks:
        print(f"{readme} has no commands")
        return 1
    for block in blocks:
        print(f"$ {block.rstrip()}", flush=True)
        done = subprocess.run(["bash", "-euo", "pipefail", "-c", block], check=False)
        if done.returncode:
            print(f"exit {done.returncode}")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
