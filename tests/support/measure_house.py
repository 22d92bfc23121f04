"""What the code looks like in figures: ``python tests/support/measure_house.py`` prints them."""

from __future__ import annotations

import ast
import io
import tokenize
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

__all__ = ["House", "measure_house"]

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("logger", "analysis")
#: A function is long where its body has more lines than this, its docstring not counted.
LONG = 60

_Function = ast.FunctionDef | ast.AsyncFunctionDef


class House:
    """Figures of the product's own Python files."""

    def __init__(self, root: Path) -> None:
        paths = [path for package in PACKAGES for path in sorted((root / package).rglob("*.py"))]
        self.modules = Counter(
            path.parent.relative_to(root).as_posix() for path in paths if path.name != "__init__.py"
        )
        self.functions = self.inner_imports = self.type_blocks = 0
        self.long: list[str] = []
        self.code_lines = self.longest_file = 0
        for path in paths:
            source = path.read_text(encoding="utf-8")
            tree = ast.parse(source)
            self.code_lines += len(_code_lines(source, tree))
            self.longest_file = max(self.longest_file, len(source.splitlines()))
            self._count(tree, path.relative_to(root).as_posix())

    def _count(self, tree: ast.Module, name: str) -> None:
        """Count functions, those too long, imports inside them, and imports for types alone."""
        inner = set()
        for node in ast.walk(tree):
            if isinstance(node, _Function):
                self.functions += 1
                length = _body_lines(node)
                if length > LONG:
                    self.long.append(f"{name}:{node.lineno} {node.name} ({length} lines)")
                inner |= {
                    id(one)
                    for one in ast.walk(node)
                    if isinstance(one, ast.Import | ast.ImportFrom)
                }
            if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
                self.type_blocks += 1
        self.inner_imports += len(inner)


def _body_lines(node: _Function) -> int:
    """Return how many lines a function's body takes, its docstring left out."""
    body = node.body[1:] if _docstring_lines(node) else node.body
    return (body[-1].end_lineno or body[-1].lineno) - body[0].lineno + 1 if body else 0


def _docstring_lines(node: ast.AST) -> int:
    """Return how many lines the docstring of a module, class or function takes."""
    body = getattr(node, "body", [])
    first = body[0] if body else None
    if not isinstance(first, ast.Expr) or not isinstance(first.value, ast.Constant):
        return 0
    if not isinstance(first.value.value, str):
        return 0
    return (first.end_lineno or first.lineno) - first.lineno + 1


def _docstrings(tree: ast.Module) -> Iterator[int]:
    """Yield every line that a docstring stands on."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | _Function):
            count = _docstring_lines(node)
            if count:
                start = node.body[0].lineno
                yield from range(start, start + count)


def _code_lines(source: str, tree: ast.Module) -> set[int]:
    """Return the lines that hold code: no blank, no comment alone, no docstring."""
    lines: set[int] = set()
    quiet = {tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.COMMENT}
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type not in quiet and token.type != tokenize.ENDMARKER:
            lines.update(range(token.start[0], token.end[0] + 1))
    return lines - set(_docstrings(tree))


def measure_house(root: Path = ROOT) -> House:
    """Measure the product's code below `root`."""
    return House(root)


def _print(house: House) -> None:
    fullest, count = house.modules.most_common(1)[0]
    readme = len((ROOT / "README.md").read_text(encoding="utf-8").splitlines())
    print(f"modules in the fullest folder: {count} ({fullest})")
    print(f"longest file: {house.longest_file} lines")
    share = 100 * len(house.long) / house.functions
    print(f"functions over {LONG} lines: {len(house.long)} of {house.functions} ({share:.2f} %)")
    for name in house.long:
        print(f"  {name}")
    print(f"imports inside functions: {house.inner_imports}")
    print(f"blocks of imports for types alone: {house.type_blocks}")
    print(f"lines of code: {house.code_lines}")
    print(f"lines of README.md: {readme}")


if __name__ == "__main__":
    _print(measure_house())
