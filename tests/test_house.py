"""The house keeps to its own rules: what lies where, who imports whom, what names say, what is loaded."""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import grimp
import pytest
from house import (
    PACKAGES,
    ROOT,
    forbidden_words,
    import_cycle,
    modules,
    names_without_unit,
    tracked_files,
)

TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", "constraints.txt"),
    *("planner", "segmentation", "viewer", "demo_volumes", "tests", ".ci", ".gitignore"),
}
LONGEST_MODULE_COUNT = 450

WITHOUT_UNIT = {
    # An interval is of whatever holds it: pullout_n, in the published file too.
    "planner/interval.py": {"estimate", "low", "high"},
    "planner/vocabulary.py": {
        # A factor's, which has no unit.
        *("low", "high"),
        # A number of threads, under the name it has in the published file.
        "threads_engaged",
        # A finding is about any quantity; its message tells the unit.
        *("value", "limit"),
        # Millimetres, as the name clearance_mm around them says.
        *("outer", "joint"),
        # Millimetres, as the name gap_mm around them says.
        *("median", "at_axis"),
        # What a pull-out is multiplied by, and its percentiles, under the names of the published file.
        *("factor", "low", "high"),
    },
    # In N, N per mm or N·m, as the row's quantity says.
    "planner/lab_row.py": {"measured"},
    # The published file says what the vocabulary says.
    "planner/assessment_file.py": {
        *("estimate", "low", "high", "threads_engaged", "value", "limit", "outer", "joint"),
        *("median", "at_axis", "factor"),
    },
    "planner/finding_case.py": {"value", "limit"},
    # A criterion is about any quantity; it holds the unit.
    "planner/search_choice.py": {"top", "value"},
    # Of whatever number or limit is drawn, compared or set; its own name tells the unit.
    "planner/compare_file.py": {"value"},
    "planner/doubt.py": {"ROUNDING_SQUARED"},
    "planner/doubt_numbers.py": {"estimate", "least"},
    "planner/doubt_vocabulary.py": {"estimate", "low", "high", "asked"},
    "planner/site_file.py": {"value", "LIMIT_MAX"},
    "planner/what_if.py": {"before", "after"},
    "viewer/bench/moved.py": {"value", "before", "after"},
    # A formula's line is about any quantity; its text tells the unit.
    "planner/worked_line.py": {"value", "result"},
    # A handle's value is in mm, the dial's in degrees; the text that is spoken tells which.
    "viewer/bench/sliders.py": {"now", "low", "high"},
    # The words of the command line: --length, --threshold, --kvp; their help tells the unit.
    "viewer/commands/screws.py": {"length"},
    "viewer/commands/segment.py": {"threshold", "kvp"},
    "viewer/commands/threads.py": {"length"},
    # A limit is on any quantity; its row holds the unit.
    "viewer/report/limit_rows.py": {"limit", "span", "step", "at"},
    "viewer/drawn_words.py": {"value"},
    # A scale is in N or in HU; it holds the unit.
    "viewer/report/entry_scale.py": {"low", "high", "step", "least"},
    # A map is of mm or of degrees; it holds the unit.
    "viewer/report/forgiveness_block.py": {"most", "rim", "ring"},
    # Directions of view, and a week.
    "planner/tip_apex.py": {"FRONTAL", "LATERAL"},
    "planner/resorbable.py": {"week"},
    # Unit vectors, written out.
    "demo_volumes/ankle.py": {"DIRECTION"},
    "demo_volumes/displaced.py": {"NORMAL", "ACROSS"},
    "demo_volumes/hip.py": {"INTO_SOCKET"},
    "demo_volumes/shaft.py": {"NORMAL"},
    "demo_volumes/shoulder.py": {"TO_HEAD"},
    "demo_volumes/wrist.py": {"AXIS", "TO_CAPITATE"},
    # Of whatever quantity is stepped over or written.
    "demo_volumes/shapes.py": {"start", "end"},
    "demo_volumes/truth_document.py": {"value"},
}
"""Names that need no unit, each with its reason."""

DRAWING = re.compile(
    r"viewer/(report/\w+|bench/(camera_hand|case_place|column|compared|drawn|level_histogram|scan_place|scan_section|strip_in_hand)|notebook/shown|screw_drawing)\.py"
)
DRAWING_WORDS = re.compile(
    # Lengths on paper are pixels, and nothing else is: SVG's own words need no unit.
    r".*_px|px|x|y|x1|y1|x2|y2|width|height|size|top|bottom|middle|centre|radius|left|right|line|value"
    r"|axis_y|section_bottom|.*_share|strength|degree|pitch|top_value|grid_value|small|body"
    r"|nearly_parallel|second_direction|shortest_direction|aside",
    re.IGNORECASE,
)
"""In drawings a length may be one on paper; a length in the patient still says ``_mm`` there."""

RENDERING = re.compile(
    r"vtk|vtkmodules\.(all|vtkRendering\w*|vtkInteraction\w*|vtkViews\w*|vtkWeb\w*)|pyvista|OpenGL|glfw|moderngl"
    r"|matplotlib|embreex|trame"
)
HEAVY = re.compile(
    r"numpy|scipy|skimage|vtk|vtkmodules|trimesh|nibabel|pydicom|pydantic|jinja2|embreex|PIL|edt|cc3d"
)


def test_the_top_level_shows_only_what_belongs_there():
    assert {name.split("/")[0] for name in tracked_files()} <= TOP_LEVEL


@pytest.mark.parametrize("name", sorted({"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", ".ci/run"}))
def test_what_everyone_looks_for_is_there(name):
    assert (ROOT / name).read_text(encoding="utf-8").strip()


def test_no_module_is_long():
    lines = {path.relative_to(ROOT).as_posix(): len(path.read_text().splitlines()) for path in modules()}
    assert {name: count for name, count in lines.items() if count > LONGEST_MODULE_COUNT} == {}


def test_every_module_says_what_it_is_for():
    silent = [
        path.relative_to(ROOT).as_posix()
        for path in modules()
        if not (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").strip()
    ]
    assert silent == []


def test_no_file_is_a_drawer_for_leftovers():
    assert [
        p.name for p in modules() if p.stem in ("utils", "util", "helpers", "helper", "common", "misc")
    ] == []


def test_tests_named_in_the_code_exist():
    named = {
        (path.relative_to(ROOT).as_posix(), name)
        for path in modules(*PACKAGES)
        for name in re.findall(r"tests/\w+\.py", path.read_text(encoding="utf-8"))
    }
    assert sorted((path, name) for path, name in named if not (ROOT / name).is_file()) == []


def test_imports_point_one_way():
    """The contracts stand in pyproject.toml; import-linter is the judge."""
    judge = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports(no_cache=True))"
    done = subprocess.run(
        [sys.executable, "-c", judge], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


def test_the_contracts_name_every_module_they_should():
    """A new module of the CT side must be forbidden to planner and demo_volumes too."""
    contract = (ROOT / "pyproject.toml").read_text(encoding="utf-8").split("Measuring and demo bones")[1]
    free = {f"segmentation.{name}" for name in ("vocabulary", "asked", "how_found", "errors")} | {
        "segmentation"
    }
    own = {f"segmentation.{path.stem}" for path in modules("segmentation") if path.stem != "__init__"}
    assert own - free == set(re.findall(r'"(segmentation\.\w+)",', contract.split("ignore_imports")[0]))


def test_no_module_imports_itself_by_a_detour():
    graph = grimp.build_graph(*PACKAGES, cache_dir=None)
    imports = {module: set(graph.find_modules_directly_imported_by(module)) for module in graph.modules}
    assert len(imports) > 50
    assert import_cycle(imports) is None


def test_a_planted_cycle_is_found():
    assert import_cycle({"a": {"b"}, "b": {"c"}, "c": {"a"}}) is not None


@pytest.mark.parametrize("path", modules(*PACKAGES), ids=lambda path: path.relative_to(ROOT).as_posix())
def test_every_float_says_its_unit(path):
    name = path.relative_to(ROOT).as_posix()
    known = WITHOUT_UNIT.get(name, set())
    found = [
        (line, word)
        for line, word in names_without_unit(path.read_text(encoding="utf-8"))
        if word not in known and not (DRAWING.fullmatch(name) and DRAWING_WORDS.fullmatch(word))
    ]
    assert found == []


def test_exceptions_from_the_unit_rule_are_needed():
    for name, words in WITHOUT_UNIT.items():
        assert words == {word for _, word in names_without_unit((ROOT / name).read_text())} & words, name


@pytest.mark.parametrize(
    "planted",
    [
        "def f(length: float): ...",
        "def f(*, angle: float | None = None): ...",
        "def f(length: Annotated[float, Field(gt=0)]): ...",
        "class C:\n    depth: float = 1.0",
        "LIMIT = 2.0",
        "LOW, HIGH_MM = -1.5, 2.0",
        "STEP = 1 / 3.0",
        "ROW = (1.0, 2.0)",
        "LIMIT: float = 2",
        "def f(angle_rad: float): ...",
    ],
)
def test_a_planted_float_without_unit_is_found(planted):
    assert len(list(names_without_unit(planted))) == 1


@pytest.mark.parametrize(
    "fine",
    [
        "def f(length_mm: float, name: str): ...",
        "class C:\n    slope_mg_cm3_per_hu: float",
        "LIMIT_MM, SHARE_FRACTION = 2.0, 0.5",
        "COUNT = 3",
    ],
)
def test_a_float_with_unit_is_let_through(fine):
    assert list(names_without_unit(fine)) == []


def _loaded_by(statements: str) -> set[str]:
    """Names of all modules loaded in a new interpreter after the statements."""
    program = f"import json, sys\n{statements}\nsys.stderr.write(json.dumps(sorted(sys.modules)))"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, env=environment, capture_output=True, text=True, check=True
    )
    return set(json.loads(done.stderr.splitlines()[-1]))


def test_nothing_below_the_viewer_loads_what_draws():
    names = [
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        for path in modules("segmentation", "planner", "demo_volumes")
    ]
    assert len(names) > 40
    loaded = _loaded_by("\n".join(f"import {name}" for name in names))
    assert "planner.assess" in loaded
    assert sorted(name for name in loaded if RENDERING.fullmatch(name)) == []


def test_that_check_would_see_a_library_that_draws():
    assert any(RENDERING.fullmatch(name) for name in _loaded_by("import embreex.rtcore_scene"))


@pytest.mark.skipif(not Path("/proc/self/maps").exists(), reason="only Linux tells which files are mapped")
def test_nothing_needs_a_graphics_library_of_the_system():
    """A bare machine has none; a wheel may bring its own."""
    names = [
        ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        for path in modules(*PACKAGES)
    ]
    program = "\n".join(f"import {name}" for name in names) + "\nprint(open('/proc/self/maps').read())"
    told = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    mapped = {line.split()[-1] for line in told.splitlines() if ".so" in line}
    assert any("vtkFiltersCore" in path for path in mapped)
    graphics = re.compile(r"/lib(GL|EGL|GLX|OSMesa|X11|Xext|Xrender|xcb)[.-]")
    assert [path for path in mapped if graphics.search(path) and "/site-packages/" not in path] == []


@pytest.mark.parametrize("package", PACKAGES)
def test_importing_a_package_loads_nothing_heavy(package):
    assert sorted(n for n in _loaded_by(f"import {package}") if HEAVY.fullmatch(n.split(".")[0])) == []


def test_help_loads_nothing_heavy():
    loaded = _loaded_by("from viewer.command_line import run\nassert run(['--help']) == 0")
    assert "typer" in loaded
    assert sorted(name for name in loaded if HEAVY.fullmatch(name.split(".")[0])) == []


def test_no_file_names_a_machine_or_a_registry():
    found = {
        name: words
        for name in tracked_files()
        if Path(name).suffix not in (".png", ".gz", ".dcm")
        and (words := forbidden_words((ROOT / name).read_text(encoding="utf-8")))
    }
    assert found == {}


@pytest.mark.parametrize(
    "planted", ["see /" + "home/me/ct", "open('/" + "tmp/x')", "get it from pypi" + ".org"]
)
def test_a_planted_machine_or_registry_is_found(planted):
    assert forbidden_words(planted)


def test_each_package_tells_that_it_is_typed():
    assert [package for package in PACKAGES if not (ROOT / package / "py.typed").is_file()] == []


def test_compiled_loops_are_not_kept_in_the_package(tmp_path):
    """pip leaves them behind, and a folder left behind hides the next install of the package."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_CACHE_HOME": str(tmp_path)}
    environment.pop("NUMBA_CACHE_DIR", None)
    program = (
        "import sys\nfrom viewer.command_line import main\nsys.argv = ['pilothole', '--version']\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "from planner import mesh_kernels\n"
        "kernel = next(k for k in vars(mesh_kernels).values() if hasattr(k, '_cache'))\n"
        "print(kernel._cache.cache_path)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert Path(done.stdout.splitlines()[-1]).is_relative_to(tmp_path)
