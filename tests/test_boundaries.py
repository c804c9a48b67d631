"""Who may import whom (architecture.md, "The house", "Processes"; style.md 6): read from the sources, not from a run."""

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DAEMON = ROOT / "daemon" / "layergate"
RULES = ROOT / "rules" / "layergate_rules"
SIM = ROOT / "sim" / "layergate_sim"

PURE = ("gcode", "toolpath", "layers", "preflight")
# Import direction: gcode -> toolpath -> layers -> preflight -> jobs -> service. Modules that stand alone are shared.
SHARED = {
    "layergate",
    "layergate.ahead",
    "layergate.clock",
    "layergate.cputicks",
    "layergate.jobindex",
    "layergate.materials",
    "layergate.printable",
    "layergate.printer",
    "layergate.tomlfile",
}
MAY_IMPORT: dict[str, tuple[str, ...]] = {
    "gcode": ("gcode",),
    "toolpath": ("gcode", "toolpath"),
    "layers": ("gcode", "toolpath", "layers"),
    "preflight": ("gcode", "toolpath", "layers", "preflight"),
}
WORKER = "layergate/preflight/worker.py"  # a process of its own: does I/O and reads the clock


@cache
def imports(path: Path) -> frozenset[str]:
    """Every module that a file imports, at its top or inside functions; relative ones made absolute."""
    base = next(root.parent for root in (DAEMON, RULES, SIM) if path.is_relative_to(root))
    package = ".".join(path.relative_to(base).with_suffix("").parts)
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            if node.level:
                above = package.split(".")[: -node.level]
                module = ".".join([*above, module]) if module else ".".join(above)
            found |= {module} | {f"{module}.{alias.name}" for alias in node.names}
    return frozenset(found)


def of(path: Path, *packages: str) -> set[str]:
    """What a file imports of some packages."""
    return {name for name in imports(path) for package in packages if name == package or name.startswith(package + ".")}


def sources(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*.py") if "__pycache__" not in path.parts)


def shown(path: Path) -> str:
    return str(path.relative_to(ROOT))


def own_modules(path: Path) -> set[str]:
    """Modules of `layergate` that a file imports, names of members cut off."""
    result = set()
    for name in of(path, "layergate"):
        parts = name.split(".")
        while len(parts) > 1 and not (
            (DAEMON.parent / Path(*parts)).is_dir() or (DAEMON.parent / Path(*parts)).with_suffix(".py").exists()
        ):
            parts.pop()
        result.add(".".join(parts))
    return result


def test_the_reader_of_imports_sees_every_form(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A test that can't fail proves nothing: each way to import is seen."""
    package = tmp_path / "layergate_rules"
    package.mkdir()
    file = package / "odd.py"
    file.write_text("import a.b\nfrom c import d\nfrom . import e\nfrom .f import g\ndef h():\n    import i as j\n")
    monkeypatch.setattr(sys.modules[__name__], "RULES", package)
    assert imports(file) == {
        "a.b",
        "c",
        "c.d",
        "layergate_rules",
        "layergate_rules.e",
        "layergate_rules.f",
        "layergate_rules.f.g",
        "i",
    }


@pytest.mark.parametrize("package", sorted(MAY_IMPORT))
def test_the_analysis_imports_only_what_comes_before_it(package: str) -> None:
    """gcode -> toolpath -> layers -> preflight: never against the arrow."""
    allowed = {f"layergate.{name}" for name in MAY_IMPORT[package]}
    for path in sources(DAEMON / package):
        wrong = {module for module in own_modules(path) - SHARED if ".".join(module.split(".")[:2]) not in allowed}
        assert not wrong, f"{shown(path)} imports {sorted(wrong)}"


@pytest.mark.parametrize("package", PURE)
def test_the_pure_packages_do_no_io_and_read_no_clock(package: str) -> None:
    """No files, sockets, threads, clocks or event loops in the analysis; the worker, a process, is the exception."""
    forbidden = {
        "asyncio",
        "threading",
        "multiprocessing",
        "socket",
        "subprocess",
        "time",
        "datetime",
        "signal",
        "os",
        "shutil",
        "tempfile",
        "pathlib",
        "logging",
    }
    # The runner is handed its clock; it names one as the default.
    excused = {"daemon/layergate/preflight/runner.py": {"time"}}
    for path in sources(DAEMON / package):
        if shown(path).endswith(WORKER):
            continue
        wrong = {name.split(".")[0] for name in imports(path)} & forbidden - excused.get(shown(path), set())
        assert not wrong, f"{shown(path)} imports {sorted(wrong)}"
        assert not of(path, "layergate.clock", "layergate.cputicks", "layergate.ahead", "layergate.sharedring"), (
            f"{shown(path)} is not pure"
        )


@pytest.mark.parametrize("package", ["link", "watch"])
def test_link_and_watch_import_nothing_of_the_analysis(package: str) -> None:
    """They read the job index; of gcode only what the payload needs."""
    allowed = {"layergate.gcode", "layergate.gcode.payload", "layergate.gcode.dialect"}
    for path in sources(DAEMON / package):
        wrong = {m for m in own_modules(path) if m.split(".")[1:2] and m.split(".")[1] in PURE} - allowed
        assert not wrong, f"{shown(path)} imports {sorted(wrong)}"


def test_the_link_process_starts_without_numpy_and_pydantic() -> None:
    """It feeds the nozzle: small, quick to start, nothing else lives there. Tried in an interpreter of its own."""
    for path in sources(DAEMON / "link"):
        assert not of(path, "numpy", "pydantic", "fastapi", "uvicorn", "aiomqtt"), shown(path)
    modules = [".".join(p.relative_to(DAEMON.parent).with_suffix("").parts) for p in sources(DAEMON / "link")]
    imported = [module.removesuffix(".__init__") for module in modules if not module.endswith("__main__")]
    program = (
        f"import sys, importlib; [importlib.import_module(m) for m in {imported!r}];"
        "print(sorted({'numpy', 'pydantic', 'fastapi', 'aiomqtt'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, timeout=30, check=True)
    assert done.stdout.strip() == b"[]"


def test_the_simulator_imports_nothing_of_the_daemon() -> None:
    """It reads and plans with its own code, so that a mistake in our reader can't hide in both."""
    files = sources(SIM)
    assert files
    for path in files:
        assert not of(path, "layergate", "layergate_rules"), shown(path)


def test_rules_import_only_what_rules_may() -> None:
    """layergate.preflight.rule, kinds of moves, numpy, pydantic, themselves, and the pure standard library."""
    allowed = {"layergate.preflight.rule", "layergate.toolpath.moves"}
    third = {"numpy", "pydantic", "layergate_rules"}
    pure = {
        "array",
        "re",
        "math",
        "dataclasses",
        "typing",
        "collections",
        "itertools",
        "functools",
        "enum",
        "bisect",
        "statistics",
        "string",
        "types",
        "zlib",
        "hashlib",
    }
    files = sources(RULES)
    assert files
    for path in files:
        assert own_modules(path) <= allowed, f"{shown(path)} imports {sorted(own_modules(path) - allowed)}"
        for name in of(path, "layergate.toolpath.moves") - {"layergate.toolpath.moves"}:
            assert name.rpartition(".")[2].isupper(), f"{shown(path)}: of moves only the names of kinds, not {name}"
        tops = {name.split(".")[0] for name in imports(path)} - {"layergate", "", "__future__"}
        assert tops <= third | pure, f"{shown(path)} imports {sorted(tops - third - pure)}"


@pytest.mark.parametrize(
    ("library", "home"), [("aiomqtt", "daemon/layergate/notify/mqtt.py"), ("serial", "daemon/layergate/link/serial.py")]
)
def test_each_outside_library_of_the_wire_has_one_point_of_import(library: str, home: str) -> None:
    """When it changes, one file changes (style.md 6)."""
    users = {shown(path) for path in sources(DAEMON) if of(path, library)}
    assert users == {home}


def test_only_the_service_and_its_commands_import_the_web() -> None:
    """FastAPI and uvicorn stay in web/; the analysis and the link never see them."""
    for path in sources(DAEMON):
        if of(path, "fastapi", "uvicorn", "starlette"):
            assert shown(path).startswith("daemon/layergate/web/"), shown(path)
