"""Can the tests fail? Small faults are planted, one at a time, and the tests must see them.

Run by hand: ``python tests/benchmarks/mutants.py [--each 10] [--seed 1] [--keep]``. A fault swaps an
operator, turns a comparison or moves a number by a third, in a copy of the project; each runs the
tests that are about its module, and counts as seen where one of them fails. Tests that fail without
any fault are refused: they would see everything.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

_HERE = Path(__file__).resolve()
_ROOT = _HERE.parents[2]
sys.path[:0] = [str(_HERE.parent), str(_ROOT)]

from figures import Figure, keep_figures, keep_text

#: Modules, and the tests that are about them in the order in which they are tried.
_TARGETS = {
    "analysis/model/observations.py": ("test_model_data", "test_model", "test_pipeline"),
    "analysis/model/parameters.py": (
        "test_model_unknowns",
        "test_model_prior",
        "test_model",
        "test_pipeline",
    ),
    "analysis/model/linearise.py": ("test_model_design", "test_model", "test_pipeline"),
    "analysis/model/priors.py": ("test_model_prior", "test_model", "test_leave_out"),
    "analysis/model/normal_equations.py": ("test_model_solve", "test_model", "test_leave_out"),
    "analysis/model/noise.py": (
        "test_model_learn",
        "test_model_learn_likelihood",
        "test_model",
        "test_pipeline",
    ),
    "analysis/model/initial.py": (
        "test_model_start",
        "test_model",
        "test_pipeline",
        "test_cases_fit",
    ),
    "analysis/model/fit.py": ("test_model_rounds", "test_model", "test_pipeline", "test_cases_fit"),
    "analysis/model/budget.py": ("test_model", "test_pipeline", "test_cases_fit"),
    "analysis/runs/run.py": ("test_phases", "test_pipeline", "test_cases_fit"),
    "analysis/runs/phases.py": (
        "test_phases_rules",
        "test_phases",
        "test_pipeline",
        "test_cases_fit",
    ),
    "analysis/results/power.py": (
        "test_power_pulls",
        "test_power",
        "test_pipeline",
        "test_cases_fit",
    ),
    "analysis/physics/air.py": ("test_air",),
}
_SWAPS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
}
_TURNS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE,
    ast.GtE: ast.Lt,
    ast.Gt: ast.LtE,
    ast.LtE: ast.Gt,
}


def _places(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Yield (index of the node in a walk, kind of fault) for every place where one can be planted."""
    for index, node in enumerate(ast.walk(tree)):
        if isinstance(node, ast.BinOp) and type(node.op) in _SWAPS:
            yield index, "operator"
        elif isinstance(node, ast.Compare) and type(node.ops[0]) in _TURNS:
            yield index, "comparison"
        elif isinstance(node, ast.Constant) and type(node.value) is float and node.value != 0.0:
            yield index, "number"


def _planted(tree: ast.Module, place: int, kind: str) -> tuple[str, str]:
    """Return the source with one fault, and its description."""
    faulty = copy.deepcopy(tree)
    node = list(ast.walk(faulty))[place]
    before = ast.unparse(node)
    if kind == "operator" and isinstance(node, ast.BinOp):
        node.op = _SWAPS[type(node.op)]()
    elif kind == "comparison" and isinstance(node, ast.Compare):
        node.ops[0] = _TURNS[type(node.ops[0])]()
    elif isinstance(node, ast.Constant) and isinstance(node.value, float):
        node.value = node.value * 4.0 / 3.0
    line = getattr(node, "lineno", 0)
    return ast.unparse(faulty), f"line {line}: {before} -> {ast.unparse(node)}"


def _seen(copy_root: Path, tests: tuple[str, ...]) -> str | None:
    """Return the first test file that fails, or None."""
    for name in tests:
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider"]
        try:
            done = subprocess.run(
                [*command, f"tests/{name}.py"],
                cwd=copy_root,
                capture_output=True,
                timeout=900,
                check=False,
                env={**os.environ, "PYTHONPATH": str(copy_root), "OPENBLAS_NUM_THREADS": "1"},
            )
        except subprocess.TimeoutExpired:
            return f"{name} (no end)"
        if done.returncode != 0:
            return name
    return None


def main() -> int:
    """Plant the faults, print each with what saw it, and the count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=7, help="faults per module (default: 7)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--module", choices=tuple(_TARGETS), action="append")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figure and the list, in place of earlier ones"
    )
    chosen = parser.parse_args()
    lines: list[str] = []
    seen = 0
    with tempfile.TemporaryDirectory() as place:
        root = Path(place) / "project"
        shutil.copytree(
            _ROOT, root, ignore=shutil.ignore_patterns(".git", ".venv", "results", "*cache*")
        )
        modules = chosen.module or tuple(_TARGETS)
        names = dict.fromkeys(name for module in modules for name in _TARGETS[module])
        broken = _seen(root, tuple(names))
        if broken is not None:
            print(f"tests/{broken}.py fails without any fault, and so would tell nothing")
            return 1
        for module in modules:
            source = (_ROOT / module).read_text(encoding="utf-8")
            tree = ast.parse(source)
            every = sorted(_places(tree))
            for index, kind in random.Random(chosen.seed).sample(
                every, min(chosen.each, len(every))
            ):
                faulty, text = _planted(tree, index, kind)
                (root / module).write_text(faulty, encoding="utf-8")
                by = _seen(root, _TARGETS[module])
                seen += by is not None
                lines.append(f"{module} {text}: {'NOT SEEN' if by is None else 'seen by ' + by}")
                print(lines[-1], flush=True)
            (root / module).write_text(source, encoding="utf-8")
    count = len(lines)
    lines.append(f"{seen} of {len(lines)} faults were seen")
    print(lines[-1])
    if chosen.keep:
        keep_text("mutants", "\n".join(lines))
        share = Figure("planted faults that tests see", 100.0 * seen / count, lowest=90.0, unit="%")
        keep_figures("mutants", [share], f"{count} faults in {len(modules)} modules")
    return 0


if __name__ == "__main__":
    sys.exit(main())
