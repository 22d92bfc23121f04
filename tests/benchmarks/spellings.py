"""One drive written in many ways: it must read the same, or be refused.

Run ``python tests/benchmarks/spellings.py --count 3000 --out tests/benchmarks/results/spellings.json``.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from make_spellings import judged


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=3000)
    parser.add_argument("--out", type=Path)
    arguments = parser.parse_args()
    counts: Counter[str] = Counter()
    misread = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(arguments.count):
            verdict, words = judged(seed, Path(folder))
            counts[verdict] += 1
            if verdict == "misread":
                misread.append({"seed": seed, "what": words})
    result = {"tried": arguments.count, **dict(sorted(counts.items())), "misread_cases": misread}
    print(json.dumps(result, indent=1))
    if arguments.out:
        arguments.out.write_text(json.dumps(result, indent=1) + "\n")


if __name__ == "__main__":
    main()
