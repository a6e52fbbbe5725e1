"""What is installed is what git tracks, under one name, with or without links."""

import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path, PurePosixPath

import pytest

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
SETUPTOOLS = PROJECT["tool"]["setuptools"]
ROOT_FOLDERS = ("analysis", "calibration", "rig")


def _tracked(*where):
    if not (ROOT / ".git").exists():
        pytest.skip("only a clone can say what git tracks")
    command = ["git", "-c", "safe.directory=*", "ls-files", "-z", "--", *where]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    # a file that was deleted and not yet committed is no part of the tree any more
    return [name for name in listed.split("\0") if name and (ROOT / name).exists()]


def _folder_of(package):
    """Folder of a package, by the longest entry of package-dir that it begins with."""
    parts = package.split(".")
    for k in range(len(parts), 0, -1):
        base = SETUPTOOLS["package-dir"].get(".".join(parts[:k]))
        if base is not None:
            return PurePosixPath(base, *parts[k:])
    raise AssertionError(package)


def _installed_files():
    """Files git tracks inside the packages, by the path that they have when installed."""
    folders = {_folder_of(package): PurePosixPath(*package.split(".")) for package in SETUPTOOLS["packages"]}
    links = {f"src/whichcore/{name}" for name in ROOT_FOLDERS}
    found = {}
    for name in _tracked("src/whichcore", *ROOT_FOLDERS):
        path = PurePosixPath(name)
        # data may lie in folders below a package that are none themselves
        package = next((parent for parent in path.parents if parent in folders), None)
        if name not in links and package is not None:
            found[str(folders[package] / path.relative_to(package))] = name
    return found


# --- the list of packages -----------------------------------------------------------------------------------


def test_every_package_is_listed():
    on_disk = {PurePosixPath(name).parent for name in _tracked("src/whichcore", *ROOT_FOLDERS)
               if name.endswith("/__init__.py")}  # fmt: skip
    assert on_disk == {_folder_of(package) for package in SETUPTOOLS["packages"]}
    assert len(SETUPTOOLS["packages"]) == len(set(SETUPTOOLS["packages"]))


def test_every_module_lies_in_a_package():
    listed = set(_installed_files().values())
    modules = {name for name in _tracked("src", *ROOT_FOLDERS) if name.endswith(".py")}
    assert sorted(modules - listed) == []


def test_every_data_file_is_package_data():
    patterns = SETUPTOOLS["package-data"]
    missed = []
    for installed in _installed_files():
        path = PurePosixPath(installed)
        if path.suffix != ".py":
            package = next(p for p in path.parents if ".".join(p.parts) in SETUPTOOLS["packages"])
            inside = path.relative_to(package)
            globs = patterns.get(".".join(package.parts), [])
            fits = (inside.match(glob) and len(inside.parts) == glob.count("/") + 1 for glob in globs)
            missed += [] if any(fits) else [installed]
    assert missed == []


def test_no_tracked_name_is_one_that_git_ignores_elsewhere():
    assert [name for name in _tracked() if re.search(r"(^|/)(build|dist|\.venv|__pycache__)/", name)] == []


# --- the links ----------------------------------------------------------------------------------------------


def test_the_links_are_relative_and_lead_to_the_root_folders():
    for name in ROOT_FOLDERS:
        link = ROOT / "src" / "whichcore" / name
        text = link.readlink().as_posix() if link.is_symlink() else link.read_text(encoding="utf-8").strip()
        assert text == f"../../{name}"


def test_the_root_folders_have_one_name():
    banned = set(PROJECT["tool"]["ruff"]["lint"]["flake8-tidy-imports"]["banned-api"])
    assert banned == set(ROOT_FOLDERS)
    bare = re.compile(rf"^\s*(?:import|from)\s+(?:{'|'.join(ROOT_FOLDERS)})\b", re.MULTILINE)
    assert [name for name in _tracked("*.py") if bare.search((ROOT / name).read_text(encoding="utf-8"))] == []
    # a bare name must not even be found from the folder of the clone's installed copy
    code = "import whichcore.analysis, importlib.util as u; assert u.find_spec('analysis') is None"
    subprocess.run([sys.executable, "-P", "-c", code], check=True, cwd=ROOT / "docs")


# --- the wheel ----------------------------------------------------------------------------------------------


def _copy(folder, *, links):
    """Copy what git tracks; without links they become the text files that a clone without links holds."""
    for name in _tracked():
        source, target = ROOT / name, folder / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if not source.is_symlink():
            shutil.copyfile(source, target)
        elif links:
            target.symlink_to(source.readlink())
        else:
            target.write_text(source.readlink().as_posix(), encoding="utf-8")
    return folder


def _wheel(clone, out):
    out.mkdir()
    code = "import sys; from setuptools import build_meta; build_meta.build_wheel(sys.argv[1])"
    done = subprocess.run(
        [sys.executable, "-c", code, str(out)], cwd=clone, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    (wheel,) = out.glob("*.whl")
    return wheel


@pytest.mark.soak
@pytest.mark.parametrize("links", [True, False])
def test_the_wheel_holds_what_git_tracks(tmp_path, links):
    wheel = _wheel(_copy(tmp_path / "clone", links=links), tmp_path / "out")
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
        archive.extractall(tmp_path / "installed")
    assert len(names) == len(set(names))
    packed = {name for name in names if ".dist-info/" not in name}
    assert packed == set(_installed_files())
    assert any(name.endswith(".dist-info/licenses/LICENSE") for name in names)
    # what was packed also runs, from a folder that knows nothing of the clone
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import whichcore; "
        "assert whichcore.__file__.startswith(sys.argv[1]); "
        "print(len(whichcore.load_library('shipped').materials))"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", code, str(tmp_path / "installed")],
        cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert int(done.stdout) == len(_tracked("analysis/library/*.toml"))


# --- what no file may say -----------------------------------------------------------------------------------


#: One letter of each stands in brackets, so that this file does not hold what it looks for.
FORBIDDEN = (
    r"/[w]ork/", r"/[r]oot/", r"/[h]ome/\w", r"[C]:\\Users",  # paths of one machine
    r"\w[p]i\.org", r"[r]egistry\.", r"--[i]ndex-url",  # hosts of a registry
    r"\b(?:in|of) [t]his session\b", r"\bas [r]equested\b", r"\b[h]elper session",  # talk about the work
    r"\bTO[D]O\b", r"\bFIX[M]E\b", r"\bX[X]X\b",  # work left lying
)  # fmt: skip


def test_no_file_speaks_of_anything_but_the_project():
    banned = re.compile("|".join(FORBIDDEN))
    found = []
    for name in _tracked():
        path = ROOT / name
        if not path.is_symlink() and path.suffix not in {".pdf", ".png", ".svg"}:
            text = path.read_text(encoding="utf-8")
            found += [f"{name}: {hit[0]}" for hit in banned.finditer(text)]
    assert found == []


def test_text_files_are_utf8_with_plain_line_ends():
    for name in _tracked():
        path = ROOT / name
        if not path.is_symlink() and path.suffix not in {".pdf", ".png"}:
            content = path.read_bytes()
            content.decode("utf-8")
            assert b"\r\n" not in content, name
            assert not content.startswith(b"\xef\xbb\xbf"), name
