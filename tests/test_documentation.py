"""The pages say what is so: examples run, commands exist, links lead somewhere, public code is described."""

import ast
import html
import importlib.util
import inspect
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
FOLDERS = ("", "docs/**/", "analysis/library/", "hardware-notes/")
PAGES = sorted(page for folder in FOLDERS for page in ROOT.glob(f"{folder}*.md"))
README = (ROOT / "README.md").read_text(encoding="utf-8")
FENCE = re.compile(r"^```.*?^```$", re.DOTALL | re.MULTILINE)
NUMBER = re.compile(r"\d+(?:\.\d+)?")


def _script(name):
    spec = importlib.util.spec_from_file_location(name, ROOT / "docs" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


# --- README -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mark", ["demo command", "test command"])
def test_the_set_up_commands_are_one_line_each(mark):
    (block,) = re.findall(rf"<!-- {mark} -->\n```sh\n(.*?)```", README, re.DOTALL)
    assert block.count("\n") == 1
    steps = block.strip().split(" && ")
    assert steps[0] == "python3 -m venv .venv"
    assert all(step.startswith(".venv/bin/") for step in steps[1:])


def test_continuous_integration_runs_the_test_command_of_the_readme():
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    (extract,) = [line for line in lines if line.startswith("command=")]
    done = subprocess.run(
        ["bash", "-ec", f'{extract}\nprintf "%s" "$command"'],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout in README
    assert done.stdout.endswith("-m pytest -n auto")


def test_the_python_example_runs(monkeypatch, capsys):
    (example,) = re.findall(r"<!-- python example -->\n```python\n(.*?)```", README, re.DOTALL)
    monkeypatch.chdir(ROOT)
    exec(compile(example, "README.md", "exec"), {})  # noqa: S102 - the page's own example
    printed = capsys.readouterr().out.splitlines()
    assert re.fullmatch(r"μ′ = \d+ ± \d+ at 1000 Hz", printed[0])
    assert len(printed) == 6  # analytic: level, verdict, three candidates, advice


@pytest.mark.soak
def test_the_pictures_of_the_readme_say_what_the_program_says(tmp_path, monkeypatch):
    images = _script("make_readme_images")
    monkeypatch.setattr(images, "IMAGES", tmp_path)
    images.main()
    drawn = sorted(path.name for path in tmp_path.iterdir())
    assert drawn == sorted(path.name for path in (ROOT / "docs" / "images").glob("[bcr]*"))
    for name in drawn:
        kept = (ROOT / "docs" / "images" / name).read_text(encoding="utf-8")
        new = (tmp_path / name).read_text(encoding="utf-8")
        assert _same(_texts(kept), _texts(new)), f"{name}: run python docs/make_readme_images.py"


@pytest.mark.soak
def test_the_accuracy_maps_say_what_the_program_says(tmp_path, monkeypatch):
    images = _script("make_accuracy_images")
    monkeypatch.setattr(images, "IMAGES", tmp_path)
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    images.main()
    drawn = sorted(path.name for path in tmp_path.glob("*.svg"))
    assert drawn == sorted(path.name for path in (ROOT / "docs" / "images").glob("accuracy-*"))
    for name in drawn:
        # contours move with the noise of a calibration, and some carry no label: words and levels stay
        kept, new = (
            set(_texts((folder / name).read_text(encoding="utf-8")).splitlines())
            for folder in (ROOT / "docs" / "images", tmp_path)
        )
        assert len(kept & new) >= 0.9 * len(kept | new), f"{name}: run python docs/make_accuracy_images.py"


def _texts(svg):
    texts = (element for element in ET.fromstring(svg).iter() if element.tag.endswith("}text"))  # noqa: S314
    return "\n".join("".join(element.itertext()) for element in texts)


def test_the_pictures_hold_real_text_and_both_themes():
    for name in re.findall(r'(?:src|srcset)="(docs/images/[^"]+)"', README):
        svg = (ROOT / name).read_text(encoding="utf-8")
        assert "<text" in svg
        paper = "#14181d" if "-dark" in name else "#ffffff"
        assert paper in svg.lower()


def test_every_page_is_reached_from_the_readme():
    seen, ahead = set(), [ROOT / "README.md"]
    while ahead:
        page = ahead.pop()
        if page not in seen and page.suffix == ".md":
            seen.add(page)
            ahead += [path for path, _ in _links(page)]
    listed = {page for page in PAGES if page.parent.name != "decisions"}
    assert sorted(str(page.relative_to(ROOT)) for page in listed - seen) == []


# --- the tutorial -------------------------------------------------------------------------------------------


def _same(kept, new):
    """Equal words, and numbers within 5 %: other versions of the numerics move a last digit.

    Where a line breaks does not count; it depends on how long the path of the clone is.
    """
    kept, new = " ".join(kept.split()), " ".join(new.split())
    if NUMBER.sub("#", kept) != NUMBER.sub("#", new):
        return False
    pairs = zip(NUMBER.findall(kept), NUMBER.findall(new), strict=True)
    return all(abs(float(a) - float(b)) <= 0.05 * max(float(a), float(b)) + 0.1 for a, b in pairs)


def test_the_comparison_of_outputs_can_fail():
    assert _same("12 materials, 86 %", "12 materials, 87 %")
    assert not _same("12 materials, 86 %", "12 materials, 76 %")
    assert not _same("12 materials", "12 metals")


def test_where_the_clone_lies_does_not_show():
    walk = _script("walk_tutorial")
    assert walk.without_place(f"stands in {ROOT}/src/a.toml.\n") == "stands in src/a.toml.\n"
    assert walk.without_place(f"stands in\n  {ROOT}/src/a.toml.\n") == "stands in src/a.toml.\n"


@pytest.mark.parametrize(
    ("page", "least"),
    [
        ("tutorial", 4),
        ("how-to/read-a-budget", 2),
        pytest.param("how-to/fit-a-model", 2, marks=pytest.mark.soak),
    ],
)
def test_a_walked_page_prints_what_it_says(tmp_path, monkeypatch, page, least):
    monkeypatch.delenv("COLUMNS", raising=False)
    walk = _script("walk_tutorial")
    assert ROOT / "docs" / f"{page}.md" in walk.PAGES
    steps = list(walk.walk(tmp_path, ROOT / "docs" / f"{page}.md"))
    assert len(steps) >= least
    for step in steps:
        printed = walk.without_place(step.printed)
        assert _same(step.body, printed), f"run python docs/walk_tutorial.py; now printed:\n{printed}"


@pytest.mark.soak
def test_the_tutorial_runs_in_a_shell(tmp_path):
    walk = _script("walk_tutorial")
    script = ["set -e", f"mkdir -p src/whichcore && cp -r '{ROOT / walk.DEMO_BINS}' src/whichcore/"]
    for step in walk.blocks(walk.PAGE.read_text(encoding="utf-8")):
        if step.mark.startswith("file: "):
            script.append(f"cat > {step.mark.removeprefix('file: ')} <<'END'\n{step.body}END")
        elif step.mark == "commands":
            script.append(step.body)
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    environment = {**os.environ, "PATH": path, "WHICHCORE_HOME": str(tmp_path / "home")}
    done = subprocess.run(
        ["bash", "-c", "\n".join(script)],
        cwd=tmp_path, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "mycores" / "pictures").is_dir()


# --- links, commands and docstrings -------------------------------------------------------------------------


def _links(page):
    """Targets of the links of a page that lead to files of the repository, with their anchors."""
    text = FENCE.sub("", page.read_text(encoding="utf-8"))
    found = re.findall(r"\[[^\]]*\]\(([^)\s]+)\)", text) + re.findall(r'(?:src|srcset)="([^"]+)"', text)
    for target in found:
        if not target.startswith(("http://", "https://")):
            path, _, anchor = target.partition("#")
            yield ((page.parent / path).resolve() if path else page), anchor


def _anchors(page):
    headings = re.findall(r"^#+ (.*)$", FENCE.sub("", page.read_text(encoding="utf-8")), re.MULTILINE)
    plain = [re.sub(r"[^\w\- ]", "", html.unescape(heading)).strip().lower() for heading in headings]
    return {heading.replace(" ", "-") for heading in plain}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page):
    for path, anchor in _links(page):
        assert path.exists(), f"{path} does not exist"
        assert path.is_relative_to(ROOT)
        assert not anchor or anchor in _anchors(path), f"no heading #{anchor} in {path.name}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_scripts_and_modules_named_exist(page):
    text = page.read_text(encoding="utf-8")
    named = re.findall(
        r"`(?:python )?((?:docs|analysis|calibration|rig|benchmarks|tests|src)/[\w./-]+)`", text
    )
    assert [name for name in named if not (ROOT / name).exists()] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_commands_named_exist(page):
    """Words after `whichcore` in code are commands, and options after them are theirs."""
    from whichcore.cli.root import root  # noqa: PLC0415

    text = page.read_text(encoding="utf-8")
    code = [line for block in re.findall(r"```sh\n(.*?)```", text, re.DOTALL) for line in block.splitlines()]
    code += re.findall(r"`([^`\n]+)`", FENCE.sub("", text))
    for line in code:
        called = re.match(r"(?:\S*/)?whichcore((?: [a-z][a-z-]*)+)(.*)", line)
        if called is None:
            continue
        command = root
        for word in called[1].split():
            found = command.get_command(None, word) if hasattr(command, "get_command") else None
            if found is None:
                assert not hasattr(command, "get_command"), f"{line}: no command {word}"
                break
            command = found
        known = {name for option in command.params for name in option.opts} | {"--help"}
        assert set(re.findall(r"(?<!\S)--[a-z-]+", called[2])) <= known, line


def _public_modules():
    folders = {"whichcore": ROOT / "src" / "whichcore"}
    folders |= {f"whichcore.{name}": ROOT / name for name in ("analysis", "calibration", "rig")}
    for package, folder in folders.items():
        for path in sorted(folder.rglob("*.py")):
            below = path.relative_to(folder).with_suffix("").parts
            linked = package == "whichcore" and below[0] in {"analysis", "calibration", "rig"}
            if not linked and below[-1] != "__main__":
                yield ".".join([package, *(part for part in below if part != "__init__")]), path


MODULES = dict(_public_modules())


def test_there_are_modules_to_look_at():
    assert {"whichcore", "whichcore.errors", "whichcore.analysis.identify", "whichcore.rig.sweep.run"} <= set(
        MODULES
    )


def test_everything_public_has_a_docstring():
    missing = []
    for name, path in MODULES.items():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for scope in [tree, *(node for node in tree.body if isinstance(node, ast.ClassDef))]:
            public = [tree] if scope is tree else []
            public += [node for node in scope.body if isinstance(node, ast.FunctionDef | ast.ClassDef)
                       and not node.name.startswith("_") and not _overloaded(node)]  # fmt: skip
            if getattr(scope, "name", "").startswith("_"):
                continue
            missing += [
                f"{name}.{getattr(node, 'name', '')}" for node in public if not ast.get_docstring(node)
            ]
    assert missing == []


def _overloaded(node):
    decorators = [ast.unparse(item) for item in node.decorator_list]
    return any(item in {"overload", "override"} or item.endswith(".setter") for item in decorators)


def test_the_python_interface_says_its_arguments_and_its_errors():
    package = import_module("whichcore")
    for name in package.__all__:
        function = getattr(package, name)
        said = inspect.getdoc(function)
        for section in ("Parameters", "Returns", "Raises"):
            assert f"{section}\n---" in said, f"{name}: no section {section}"
        for argument in inspect.signature(function).parameters:
            assert re.search(rf"^\*?{argument}\b", said, re.MULTILINE), f"{name}: {argument}"


def test_every_decision_has_its_parts_and_a_number_of_its_own():
    pages = sorted((ROOT / "docs" / "decisions").glob("*.md"))
    numbers = [page.name[:4] for page in pages]
    assert numbers == [f"{k:04d}" for k in range(1, len(pages) + 1)]
    for page in pages:
        text = page.read_text(encoding="utf-8")
        assert text.startswith(f"# {page.name[:4]}: ")
        for part in ("Status: ", "## Question", "## Decision", "## Consequences"):
            assert part in text, f"{page.name}: {part}"
