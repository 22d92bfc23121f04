"""The direction in which modules import each other, and what a command must not load to start."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

# Each entry is a room (a folder or a file), each line a floor: what is in a room imports from its own
# room and from the lines above it, never from another room of its own line.
LOGGER_FLOORS = (
    "arrays errors scans units visible",
    "findings",
    "recording rows source",
    "archives",
    "times",
    "formats",
    "tables",
    "quality session writing",
    "reading",
    "capture",
)
ANALYSIS_FLOORS = (
    "physics signals simulate terminal",
    "runs",
    "model",
    "results",
    "pipeline",
    "crosscheck",
    "session_pipeline",
    "sessions setup",
    "text planning",
    "plots",
    "report",
    "batch phone",
    "cli",
    "__main__",
)
FORMATS = {
    "logger.formats.gpx",
    "logger.tables.table",
    "logger.formats.nmea",
    "logger.tables.scope",
}
# Brought by jinja2, which cannot work without it.
BROUGHT_ALONG = {"markupsafe"}


class Import:
    """One import statement: which module, which names, where, and whether it runs at import."""

    def __init__(self, node: ast.Import | ast.ImportFrom, *, at_start: bool, types: bool) -> None:
        self.line = node.lineno
        self.at_start = at_start
        self.types = types
        self.plain = isinstance(node, ast.Import)
        self.level = node.level if isinstance(node, ast.ImportFrom) else 0
        if isinstance(node, ast.ImportFrom):
            self.modules = [node.module or ""]
        else:
            self.modules = [alias.name for alias in node.names]
        self.names = [alias.name for alias in node.names]


def imports_of(source: str) -> list[Import]:
    """Return every import of a module, also those in functions and under TYPE_CHECKING."""
    found: list[Import] = []

    def walk(node: ast.AST, at_start: bool, types: bool) -> None:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.Import | ast.ImportFrom):
                found.append(Import(child, at_start=at_start, types=types))
            function = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
            checking = isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test)
            walk(child, at_start and not function, types or checking)

    walk(ast.parse(source), True, False)
    return found


def read_package(package: str) -> dict[str, str]:
    """Return the source of every module by its full name; ``__init__`` counts as the package."""
    sources = {}
    for path in sorted((ROOT / package).rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        sources[name] = path.read_text(encoding="utf-8")
    return sources


def floor(name: str, floors: tuple[str, ...]) -> tuple[int, str] | None:
    """Return the floor of a module, counted from 0, and its room."""
    room = name.split(".")[1]
    for number, line in enumerate(floors):
        if room in line.split():
            return number, room
    return None


def order_breaches(sources: dict[str, str], floors: tuple[str, ...]) -> list[tuple[str, str]]:
    """Return who imports whom against the order; a module without a room imports itself."""
    breaches = []
    for name, source in sources.items():
        package, dot, _ = name.partition(".")
        if not dot:
            continue
        own = floor(name, floors)
        if own is None:
            breaches.append((name, name))
            continue
        for found in imports_of(source):
            for module in found.modules:
                if not module.startswith(package + "."):
                    continue
                other = floor(module, floors)
                if other is None or other[0] > own[0] or (other[0] == own[0] and other != own):
                    breaches.append((name, module))
    return breaches


def packages(module: str) -> str:
    return module.split(".", 1)[0]


LOGGER = read_package("logger")
ANALYSIS = read_package("analysis")
EVERYTHING = {**LOGGER, **ANALYSIS}


#: Every import: who, the statement, whom.
IMPORTS = [
    (name, found, module)
    for name, source in EVERYTHING.items()
    for found in imports_of(source)
    for module in found.modules
]


def test_the_checker_sees_what_it_must() -> None:
    floors = ("low", "middle other", "part", "high")
    sources = {
        "pack": "",
        "pack.low": "def f():\n    from pack.high import x\n",
        "pack.middle": "import pack.other\nfrom pack.low import y\n",
        "pack.other": "if TYPE_CHECKING:\n    from pack.part.a import Z\n",
        "pack.part.a": "from pack.part.b import z\nfrom pack.gone import q\n",
        "pack.part.b": "import numpy\n",
        "pack.high": "from pack.part.a import a\n",
        "pack.stray": "",
    }
    assert order_breaches(sources, floors) == [
        ("pack.low", "pack.high"),
        ("pack.middle", "pack.other"),
        ("pack.other", "pack.part.a"),
        ("pack.part.a", "pack.gone"),
        ("pack.stray", "pack.stray"),
    ]
    lazy, types, start = imports_of(
        "def f():\n    import scipy\nif TYPE_CHECKING:\n    import a\nimport b"
    )
    assert (lazy.at_start, types.types, start.at_start, start.types) == (False, True, True, False)


def test_rooms_import_in_one_direction() -> None:
    found = [*order_breaches(LOGGER, LOGGER_FLOORS), *order_breaches(ANALYSIS, ANALYSIS_FLOORS)]
    assert found == []


def test_no_room_is_too_full() -> None:
    for package in ("logger", "analysis"):
        for folder in [ROOT / package, *(ROOT / package).rglob("*/")]:
            modules = [path for path in folder.glob("*.py") if path.name != "__init__.py"]
            assert len(modules) <= 14, f"{folder.relative_to(ROOT)}: {len(modules)} modules"


@pytest.mark.parametrize("package", ["logger", "analysis"])
def test_every_room_says_what_comes_in_and_goes_out(package: str) -> None:
    for path in (ROOT / package).rglob("*/__init__.py"):
        words = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
        room = path.parent.relative_to(ROOT)
        assert 3 <= len(words.splitlines()) <= 12, f"{room}: three to ten lines are wanted"
        assert re.search(r"^In( and out)?:", words, re.MULTILINE), f"{room}: what comes in?"
        assert re.search(r"^(Out|In and out):", words, re.MULTILINE), f"{room}: what goes out?"
        assert re.search(r"^May import", words, re.MULTILINE), f"{room}: what may it import?"


def test_no_module_needs_itself() -> None:
    graph: dict[str, set[str]] = {name: set() for name in EVERYTHING}
    for name, found, module in IMPORTS:
        if module in EVERYTHING and not found.types:
            graph[name].add(module)
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(f"modules import each other in a circle: {' -> '.join(error.args[1])}")


def test_logger_knows_nothing_of_analysis_scipy_or_matplotlib() -> None:
    banned = {"analysis", "scipy", "matplotlib"}
    assert [
        f"{name}, line {found.line}: {module}"
        for name, found, module in IMPORTS
        if packages(name) == "logger" and packages(module) in banned
    ] == []


def test_logger_loads_pandas_only_inside_functions() -> None:
    assert [
        f"{name}, line {found.line}"
        for name, found, module in IMPORTS
        if packages(name) == "logger" and packages(module) == "pandas" and found.at_start
    ] == []


def test_formats_do_not_know_each_other() -> None:
    breaches = []
    for name, found, module in IMPORTS:
        if packages(name) != "logger" or module not in FORMATS or name == "logger.reading":
            continue
        # the type of a user's choice of column lives with the tables that it is for
        if name.startswith("logger.session.") and found.names == ["ColumnChoice"]:
            continue
        breaches.append(f"{name}, line {found.line}: {module}")
    assert breaches == []


def test_the_simulator_shares_no_physics_with_the_estimator() -> None:
    allowed = {"numpy", "scipy", "logger"} | set(sys.stdlib_module_names)
    simulators = [name for name in ANALYSIS if name.startswith("analysis.simulate")]
    assert "analysis.simulate.session" in simulators
    assert [
        f"{name}, line {found.line}: {module}"
        for name, found, module in IMPORTS
        if name in simulators and packages(module) not in allowed and module not in simulators
    ] == []


def test_only_plots_knows_matplotlib() -> None:
    users = {name for name, _, module in IMPORTS if packages(module) == "matplotlib"}
    assert {name.rpartition(".")[0] for name in users} == {"analysis.plots"}


def test_third_party_modules_are_declared_dependencies() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    names = [re.match(r"[\w.-]+", text) for text in project["dependencies"]]
    declared = {name[0].lower().replace("-", "_") for name in names if name}
    assert len(declared) == len(project["dependencies"])
    # what an extra brings is imported where it is used, and nowhere else
    (extra,) = project["optional-dependencies"]["cluster"]
    assert extra.partition(">")[0] == "distributed"
    users = {
        (name, found.at_start)
        for name, found, module in IMPORTS
        if packages(module) == "distributed"
    }
    assert users == {("analysis.batch.workers", False)}
    declared.add("distributed")
    own = {"logger", "analysis"} | set(sys.stdlib_module_names) | BROUGHT_ALONG
    used = {packages(module) for _, found, module in IMPORTS if not found.types} - own
    assert used - declared == set()


def test_imports_are_written_one_way() -> None:
    breaches = []
    for name, found, module in IMPORTS:
        own = packages(module) in {"logger", "analysis"}
        if found.level or (own and (found.plain or module in {"logger", "analysis"})):
            breaches.append(
                f"{name}, line {found.line}: write from {module or 'package'}.x import Y"
            )
        if own and any(item.startswith("_") or item == "*" for item in found.names):
            breaches.append(f"{name}, line {found.line}: {module} keeps {found.names} to itself")
    assert breaches == []


def top_level_names(tree: ast.Module) -> set[str]:
    names: set[str] = set()
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            names.add(node.name)
        elif isinstance(node, ast.Assign):
            names.update(
                item.id
                for target in node.targets
                for item in ast.walk(target)
                if isinstance(item, ast.Name)
            )
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            names.add(node.target.id)
        elif isinstance(node, ast.Import | ast.ImportFrom):
            names.update(alias.asname or alias.name for alias in node.names)
    return names


@pytest.mark.parametrize("name", sorted(EVERYTHING))
def test_module_says_what_it_is_and_what_it_offers(name: str) -> None:
    tree = ast.parse(EVERYTHING[name])
    assert ast.get_docstring(tree), f"{name} has no docstring"
    package = (ROOT / name.replace(".", "/")).is_dir()
    if package:
        assert len(tree.body) == 1, f"{name} is a docstring and nothing else: it always runs first"
    if package or name.endswith("__main__"):
        return
    offered = [
        node.value
        for node in tree.body
        if isinstance(node, ast.Assign)
        and any(isinstance(target, ast.Name) and target.id == "__all__" for target in node.targets)
    ]
    assert len(offered) == 1, f"{name} has no __all__"
    names = ast.literal_eval(offered[0])
    assert set(names) <= top_level_names(tree), f"{name} offers what it does not have"
    assert len(set(names)) == len(names)


def loaded_after(statement: str) -> set[str]:
    """Return the packages in `sys.modules` of a new interpreter after `statement`."""
    code = f"{statement}\nimport sys\nprint(*sorted({{m.split('.')[0] for m in sys.modules}}))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return set(done.stdout.split())


def test_the_command_line_starts_light() -> None:
    heavy = {"numpy", "pandas", "scipy", "matplotlib", "jinja2", "rich", "gpxpy"}
    heavy |= {"starlette", "uvicorn", "cryptography", "segno"}
    loaded = loaded_after("import analysis.cli.main")
    assert "analysis" in loaded
    assert loaded & heavy == set()
    commands = [name for name in ANALYSIS if name.startswith("analysis.cli.")]
    loaded = loaded_after("import " + ", ".join(commands))
    assert "typer" in loaded
    assert loaded & heavy == set()


def test_all_of_logger_loads_without_pandas_scipy_and_matplotlib() -> None:
    modules = [name for name in LOGGER if not name.startswith("logger.capture")]
    loaded = loaded_after("import " + ", ".join(modules))
    assert "numpy" in loaded
    assert loaded & {"analysis", "pandas", "scipy", "matplotlib"} == set()


def test_what_a_phone_works_with_needs_no_more_than_its_folder_has() -> None:
    """The folder of `pullcoast page` carries numpy, scipy, pandas, matplotlib, jinja2 and MarkupSafe."""
    loaded = loaded_after("import analysis.phone.worked_out, analysis.phone.drawn")
    assert "matplotlib" in loaded
    lacking = {"gpxpy", "typer", "click", "rich", "starlette", "uvicorn", "cryptography", "segno"}
    assert loaded & lacking == set()


def test_only_drawing_loads_matplotlib() -> None:
    loaded = loaded_after(
        "import analysis.pipeline, analysis.report.results_json, analysis.simulate.session"
    )
    assert "numpy" in loaded
    assert "matplotlib" not in loaded
