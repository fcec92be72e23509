"""The rules of the house, kept by tests: which way imports run, what is lazy, what is documented."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

import sigcheck

PACKAGE = Path(sigcheck.__file__).parent
ROOT = PACKAGE.parent
MODULES = sorted(PACKAGE.rglob("*.py"))

# A module may import from its own stage and from those above it here, never from those below.
STAGES = [
    ("errors", "quantities"),
    ("start_time", "plan", "plan_contradictions", "plan_text"),
    ("recording", "capture"),
    ("measure",),
    ("calibration", "learning", "several"),
    ("judge",),
    ("result",),
    ("saved", "measured_changes"),
    ("comparison", "history", "drift_series"),
    ("report",),
    ("cli", "__main__"),
]
# In a notebook a result shows itself, and what it shows is a piece of the report.
UPWARD = {("result", "report"), ("comparison", "report"), ("history", "report")}
# Makes recordings, so it knows what a recording and a plan are and nothing of what is measured on one.
# The saved truth about a recording is in the judge's words, as plain text.
SYNTH_MAY_IMPORT = ("errors", "quantities", "start_time", "plan", "recording", "synth")


def stage_of(part: str) -> int:
    return next(k for k, parts in enumerate(STAGES) if part in parts)


def imported(path: Path) -> Iterator[tuple[int, str]]:
    """Line and module of every import in a file, those inside functions and for type checks too."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}:{node.lineno}: relative imports hide the stage"
            if node.module == "sigcheck":
                for alias in node.names:
                    yield node.lineno, f"sigcheck.{alias.name}"
            elif node.module:
                yield node.lineno, node.module


def ours(path: Path) -> Iterator[tuple[int, str]]:
    """Line and stage of each import of our own."""
    for line, module in imported(path):
        first, _, rest = module.partition(".")
        part = rest.split(".")[0]
        if first == "sigcheck" and part and part != "__version__":
            yield line, part


@pytest.mark.parametrize("path", [p for p in MODULES if p != PACKAGE / "__init__.py"], ids=lambda p: p.name)
def test_imports_run_only_along_the_pipeline(path: Path) -> None:
    part = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    for line, other in ours(path):
        where = f"{path.relative_to(ROOT)}:{line}: {part} imports {other}"
        if part == "synth":
            assert other in SYNTH_MAY_IMPORT, where
        elif other == "synth":
            assert part == "cli", where
        else:
            assert stage_of(other) <= stage_of(part) or (part, other) in UPWARD, where


def test_the_test_of_imports_sees_a_wrong_one(tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text(
        "def f():\n    from sigcheck.judge.limits import LIMITS\n    from sigcheck import report\n"
    )
    assert list(ours(bad)) == [(2, "judge"), (3, "report")]
    assert stage_of("judge") > stage_of("measure")


def in_fresh_python(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    return done.stdout.strip()


HEAVY = ("matplotlib", "typer", "scipy", "soundfile", "jinja2", "numpy")


def test_importing_the_package_loads_nothing_heavy() -> None:
    loaded = in_fresh_python("import sys, sigcheck; print(*sorted(sys.modules))").split()
    assert not set(HEAVY) & set(loaded)


COMMANDS = ("diagnose", "calibrate", "plan", "history", "record", "synth")


@pytest.mark.parametrize("arguments", ["--help", "--version", *(f"{one} --help" for one in COMMANDS)])
def test_help_loads_nothing_heavy(arguments: str) -> None:
    code = f"import sys; from sigcheck.cli import run; run({arguments.split()!r}); print(*sys.modules)"
    loaded = in_fresh_python(code).splitlines()[-1].split()
    assert set(HEAVY) & set(loaded) == {"typer"}
    assert "rich" not in loaded


def test_help_is_quick() -> None:
    """In use 0.3 s more than a bare Python; here the best of three, and twice that for a loaded machine."""

    def best(*command: str) -> float:
        times = []
        for _ in range(3):
            start = time.perf_counter()
            subprocess.run([sys.executable, *command], capture_output=True, check=True, cwd=ROOT)
            times.append(time.perf_counter() - start)
        return min(times)

    help_ = best("-c", "from sigcheck.cli import main; main(['--help'])")
    assert help_ - best("-c", "pass") < 0.6


def test_measuring_a_recording_does_not_load_what_only_reports_need() -> None:
    loaded = in_fresh_python("import sys, sigcheck.measure.pipeline; print(*sys.modules)").split()
    assert not {"matplotlib", "typer", "jinja2", "scipy.signal", "scipy.optimize"} & set(loaded)


def public_definitions(tree: ast.Module) -> Iterator[ast.FunctionDef | ast.ClassDef]:
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from (
                    inner
                    for inner in node.body
                    if isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_")
                )


def _returns(function: ast.FunctionDef) -> str:
    return "" if function.returns is None else ast.unparse(function.returns)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.name)
def test_everything_public_is_documented(path: Path) -> None:
    source = path.read_text()
    tree = ast.parse(source)
    # The judge's rules, one for each symptom, are named and explained by their rows in the table of limits.
    rules = {d.name for d in tree.body if isinstance(d, ast.FunctionDef) and _returns(d) == "Finding"}
    bare = [d.name for d in public_definitions(tree) if not ast.get_docstring(d) and d.name not in rules]
    assert bare == []
    assert not source.strip() or ast.get_docstring(tree), "the module itself"


UNFINISHED = re.compile(r"\b(TODO|FIXME|XXX|HACK|NotImplementedError|placeholder|not yet implemented)\b")


@pytest.mark.parametrize(
    "path",
    [p for p in (*MODULES, *(ROOT / "tests").rglob("*.py")) if p != Path(__file__)],
    ids=lambda p: p.name,
)
def test_nothing_is_left_unfinished(path: Path) -> None:
    found = [line.strip() for line in path.read_text().splitlines() if UNFINISHED.search(line)]
    assert found == []


def test_the_library_does_not_print() -> None:
    for path in MODULES:
        if path.relative_to(PACKAGE).parts[0] in ("cli", "synth"):
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            called = node.func if isinstance(node, ast.Call) else None
            assert not (isinstance(called, ast.Name) and called.id == "print"), f"{path.name}:{node.lineno}"


def test_every_public_name_can_be_loaded_and_no_other() -> None:
    for name in sigcheck.__all__:
        assert getattr(sigcheck, name) is not None
        assert name in dir(sigcheck)
    assert set(sigcheck._HOME) == set(sigcheck.__all__) - {"__version__"}
    with pytest.raises(AttributeError, match="no attribute 'spectrum_of_everything'"):
        sigcheck.spectrum_of_everything  # noqa: B018


def test_the_package_carries_its_licence_and_types() -> None:
    assert (PACKAGE / "py.typed").exists()
    assert (PACKAGE / "LICENSE").read_text().startswith("MIT License")


def test_the_top_level_holds_only_what_belongs_there() -> None:
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "sigcheck",
        "tests",
        "sample_audio",
        "notebooks",
    }
    listed = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= allowed
