"""The direction in which modules import each other, and what a command must not load to start."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from fnmatch import fnmatchcase
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

# Each line is a layer: a module imports from the lines above it and never from its own line, except
# within a family (a name with a star). A new module is placed where what it needs stands above it.
LOGGER_LAYERS = (
    "errors units tyres scans large_file paths",
    "findings source layout speeds time_texts",
    "recording rows",
    "clock dates headers order joining quick_numbers fixes_quality ragged gpx_points scope_table",
    "grid fixes_doubts",
    "motion table_time table_rows table_columns quality",
    "table_channels",
    "gpx table nmea scope",
    "reading writing",
    "session_keys",
    "key_table quantities",
    "session_files session_vehicle",
    "session",
    "session_options",
    "capture capture.*",
)
ANALYSIS_LAYERS = (
    "simulate_road simulate_vehicle simulate_signals",
    "simulate_path",
    "simulate_drive simulate_phone",
    "simulate_truth simulate_files",
    "simulate",
    "messages output progress terminal gravity coasting air vehicle lag fixes svg throttle cycle",
    "runs pooling covariances",
    "pulling mount ambient plausible",
    "fuse",
    "phases",
    "road gear_times bends",
    "sharing",
    "gears",
    "model_data",
    "model_unknowns model_spread",
    "model_design model_prior",
    "model_solve",
    "model_learn model_start",
    "model",
    "leave_out model_budget",
    "roadload",
    "evidence judging power reference",
    "wheelspin reach corrections gates predictions regulation engine_side",
    "expected",
    "timed_runs segments",
    "gate_model",
    "gate_load gate_sums scope_runs",
    "gate_blame",
    "crosscheck",
    "pipeline",
    "several_days several_notes",
    "several",
    "compare_side difference",
    "compare_notes plan_outing",
    "compare_common plan",
    "compare_power compare_load",
    "compare",
    "display results_compare tables strips gate_marks results_crosscheck folder_logs session_questions",
    "results report_compare advice pages session_draft session_analysis",
    "report_rows",
    "compare_words",
    "plots_style",
    "plots_*",
    "capture_draft earlier summary plots",
    "compare_earlier",
    "report batch_table",
    "several_report compare_report plan_report",
    "arguments",
    "command_*",
    "arguments_*",
    "cli",
    "__main__",
)
FORMATS = {"logger.gpx", "logger.table", "logger.nmea", "logger.scope"}
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


def place(name: str, layers: tuple[str, ...]) -> tuple[int, str] | None:
    """Return the layer of a module, counted from 0, and the name or family it stands under."""
    short = name.split(".", 1)[1]
    families = []
    for number, layer in enumerate(layers):
        for entry in layer.split():
            if entry == short:
                return number, entry
            if "*" in entry and fnmatchcase(short, entry):
                families.append((number, entry))
    return families[0] if families else None


def order_breaches(sources: dict[str, str], layers: tuple[str, ...]) -> list[str]:
    """Return a sentence for each import against the order and each module without a place."""
    breaches = []
    for name, source in sources.items():
        package, dot, _ = name.partition(".")
        if not dot:
            continue
        own = place(name, layers)
        if own is None:
            breaches.append(f"{name} has no place: put it into {package.upper()}_LAYERS")
            continue
        for found in imports_of(source):
            for module in found.modules:
                if not module.startswith(package + "."):
                    continue
                other = place(module, layers)
                if other is None:
                    breaches.append(f"{name}, line {found.line}: {module} has no place")
                elif other[0] > own[0] or (other[0] == own[0] and other[1] != own[1]):
                    breaches.append(f"{name}, line {found.line}: {module} is not below it")
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
    layers = ("low", "middle other", "part_*", "high")
    sources = {
        "pack": "",
        "pack.low": "def f():\n    from pack.high import x\n",
        "pack.middle": "import pack.other\nfrom pack.low import y\n",
        "pack.other": "if TYPE_CHECKING:\n    from pack.part_a import Z\n",
        "pack.part_a": "from pack.part_b import z\nfrom pack.gone import q\n",
        "pack.part_b": "import numpy\n",
        "pack.high": "from pack.part_a import a\n",
        "pack.stray": "",
    }
    assert order_breaches(sources, layers) == [
        "pack.low, line 2: pack.high is not below it",
        "pack.middle, line 1: pack.other is not below it",
        "pack.other, line 2: pack.part_a is not below it",
        "pack.part_a, line 2: pack.gone has no place",
        "pack.stray has no place: put it into PACK_LAYERS",
    ]
    lazy, types, start = imports_of(
        "def f():\n    import scipy\nif TYPE_CHECKING:\n    import a\nimport b"
    )
    assert (lazy.at_start, types.types, start.at_start, start.types) == (False, True, True, False)


def test_logger_keeps_the_order_of_its_layers() -> None:
    assert order_breaches(LOGGER, LOGGER_LAYERS) == []


def test_analysis_keeps_the_order_of_its_layers() -> None:
    assert order_breaches(ANALYSIS, ANALYSIS_LAYERS) == []


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
        if name.startswith("logger.session") and found.names == ["ColumnChoice"]:
            continue
        breaches.append(f"{name}, line {found.line}: {module}")
    assert breaches == []


def test_the_simulator_shares_no_physics_with_the_estimator() -> None:
    allowed = {"numpy", "scipy", "logger"} | set(sys.stdlib_module_names)
    simulators = [name for name in ANALYSIS if name.startswith("analysis.simulate")]
    assert "analysis.simulate" in simulators
    assert [
        f"{name}, line {found.line}: {module}"
        for name, found, module in IMPORTS
        if name in simulators and packages(module) not in allowed and module not in simulators
    ] == []


def test_only_plots_knows_matplotlib() -> None:
    users = {name for name, _, module in IMPORTS if packages(module) == "matplotlib"}
    assert {name.partition("_")[0] for name in users} == {"analysis.plots"}


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
    assert users == {("analysis.command_batch_pool", False)}
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
    package = name in {"logger", "analysis"}
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
    loaded = loaded_after("import analysis.cli")
    assert "analysis" in loaded
    assert loaded & heavy == set()


def test_all_of_logger_loads_without_pandas_scipy_and_matplotlib() -> None:
    modules = [name for name in LOGGER if not name.startswith("logger.capture")]
    loaded = loaded_after("import " + ", ".join(modules))
    assert "numpy" in loaded
    assert loaded & {"analysis", "pandas", "scipy", "matplotlib"} == set()


def test_only_drawing_loads_matplotlib() -> None:
    loaded = loaded_after("import analysis.pipeline, analysis.results, analysis.simulate")
    assert "numpy" in loaded
    assert "matplotlib" not in loaded
