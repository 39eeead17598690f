"""The repository as a stranger finds it: commands, locks, versions, sizes."""

import re
import subprocess
import tomllib
from pathlib import Path

import pytest
import yaml

from morpho import __version__

HOUSE = Path(__file__).parents[1]


def text(name):
    return (HOUSE / name).read_text(encoding="utf-8")


def tracked():
    """Files under version control; none outside a checkout."""
    try:
        done = subprocess.run(
            ["git", "ls-files", "-z"], cwd=HOUSE, capture_output=True, text=True, check=True
        )
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a checkout")
    return [HOUSE / name for name in done.stdout.split("\0") if name and (HOUSE / name).is_file()]


def parts(command):
    """What a line of shell does, command by command, without where and how quietly."""
    command = command.replace("--quiet ", "").replace("$(PYTHON)", "python3")
    return [part.strip() for part in command.split("&&")]


def recipe(target):
    """Commands of a target of the Makefile."""
    found = re.search(rf"^{re.escape(target)}:.*\n((?:\t.*\n)+)", text("Makefile"), re.MULTILINE)
    assert found, target
    return [line.strip() for line in found.group(1).splitlines()]


def readme_blocks():
    return re.findall(r"```sh\n(.*?)```", text("README.md"), re.DOTALL)


def long_command(word):
    """The README's command without make that has a word in it."""
    return next(b.strip() for b in readme_blocks() if b.startswith("python3 -m venv") and word in b)


def test_the_readme_begins_with_what_it_is():
    """A title, and a paragraph that says what the program is for."""
    title, paragraph = text("README.md").split("\n\n")[:2]
    assert title == "# formkin"
    assert len(paragraph) > 200
    assert not paragraph.startswith(("#", "-", "```", "["))


@pytest.mark.parametrize(
    ("word", "target", "set_up"),
    [("snakemake", "study", ".venv/study"), ("pytest", "test", ".venv/dev")],
)
def test_both_ways_of_the_readme_do_the_same(word, target, set_up):
    """`make study`, `make test`, and the long commands for those without make."""
    assert f"make {target}" in [block.strip() for block in readme_blocks()]
    with_make = [line for line in recipe(set_up) if not line.startswith("touch")]
    call = re.sub(r" \$\(if .*\)$", "", recipe(target)[-1]).replace("$(CORES)", "all")
    assert parts(long_command(word)) == [*parts(" && ".join(with_make)), call]


def test_the_checks_of_a_submission_are_those_of_the_makefile():
    """.ci/run: the README's way to the tests, and each line of `make check`, as before a commit."""
    script = [line.strip() for line in text(".ci/run").splitlines()]
    *set_up, tests = parts(long_command("pytest"))
    assert " && ".join(set_up) in [line.replace("--quiet ", "") for line in script]
    assert any(line.startswith(tests) for line in script)
    hooks = yaml.safe_load(text(".pre-commit-config.yaml"))["repos"][0]["hooks"]
    assert [hook["entry"] for hook in hooks] == recipe("check")
    for line in [*recipe("check"), *recipe("docs")]:
        assert line in script


def test_commands_named_in_the_texts_are_targets():
    targets = set(re.findall(r"^([a-z-]+):", text("Makefile"), re.MULTILINE))
    for name in ("README.md", "DEVELOPERS.md"):
        named = set(re.findall(r"^make ([a-z-]+)|`make ([a-z-]+)", text(name), re.MULTILINE))
        assert {a or b for a, b in named} <= targets, name


@pytest.mark.parametrize("name", ["requirements.txt", "requirements-dev.txt"])
def test_locks_hold_a_hash_for_every_package(name):
    """So that what is installed is what was tested, from whatever mirror it comes."""
    lock = text(name)
    entries = re.split(r"\n(?=[A-Za-z0-9])", "\n".join(
        line for line in lock.splitlines() if not line.startswith("#")))  # fmt: skip
    entries = [entry for entry in entries if entry.strip()]
    assert len(entries) > 30
    for entry in entries:
        assert re.match(r"[A-Za-z0-9._-]+==[^\s;]+", entry), entry.splitlines()[0]
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", entry), entry.splitlines()[0]
    assert "http" not in lock
    assert " @ " not in lock


def normal(name):
    return re.sub(r"[-_.]+", "-", name).lower()


def locked(name):
    pins = re.findall(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)", text(name), re.MULTILINE)
    return {normal(package): version for package, version in pins}


def test_what_the_project_needs_is_locked():
    """Every dependency, in the lock of users and, in the same version, in that of developers."""
    project = tomllib.loads(text("pyproject.toml"))
    names = [re.match(r"[\w.-]+", line).group() for line in project["project"]["dependencies"]]
    names += [re.match(r"[\w.-]+", line).group() for line in project["dependency-groups"]["build"]]
    users, developers = locked("requirements.txt"), locked("requirements-dev.txt")
    for name in map(normal, names):
        assert name in users, name
        assert users[name] == developers[name]
    for line in project["dependency-groups"]["dev"]:
        assert normal(re.match(r"[\w.-]+", line).group()) in developers, line


def test_no_dependency_is_idle():
    """What is asked for is imported somewhere, or works behind something that is called."""
    project = tomllib.loads(text("pyproject.toml"))
    modules = {"scikit-learn": "sklearn", "pyyaml": "yaml", "python-docx": "docx"}
    behind = {
        "snakemake": "snakemake",
        "fast-simplification": "simplify_quadric_decimation",
    }
    sources = "\n".join(p.read_text(encoding="utf-8") for p in (HOUSE / "morpho").rglob("*.py"))
    for line in project["project"]["dependencies"]:
        name = re.match(r"[\w.-]+", line).group()
        if name in behind:
            assert behind[name] in sources, name
        else:
            module = modules.get(name, name.replace("-", "_"))
            assert re.search(rf"^\s*(import|from) {module}\b", sources, re.MULTILINE), name


def test_one_version_everywhere():
    project = tomllib.loads(text("pyproject.toml"))["project"]
    citation = yaml.safe_load(text("CITATION.cff"))
    newest = re.search(r"^## (\S+) \((\d{4}-\d\d-\d\d)\)$", text("CHANGELOG.md"), re.MULTILINE)
    assert __version__ == project["version"] == str(citation["version"]) == newest.group(1)
    assert str(citation["date-released"]) == newest.group(2)
    assert citation["license"] == project["license"]


def test_files_are_small():
    """Cloning is quick, and no result has slipped in."""
    sizes = {path: path.stat().st_size for path in tracked()}
    assert [str(path) for path, size in sizes.items() if size > 1_000_000] == []
    assert sum(sizes.values()) < 15_000_000


def test_only_the_legend_of_the_results_is_kept():
    kept = [p for p in tracked() if p.is_relative_to(HOUSE / "results")]
    assert kept == [HOUSE / "results" / "README.md"]


# An absolute path of somebody's machine: homes, mounts and work folders.
_MACHINE = re.compile(rb"(?<![\w./<>{}$-])/(?:home|Users|root|work|mnt|opt|tmp|media)/[\w.]+")
# Nobody's, in examples and tests of how paths are told.
_NOBODYS = re.compile(rb"/home/(?:me|you)|/mnt/(?:a|b|x|disc)")


def test_no_file_knows_a_machine():
    for path in tracked():
        found = [one for one in _MACHINE.findall(path.read_bytes()) if not _NOBODYS.fullmatch(one)]
        assert not found, (path, found[:3])


def test_texts_are_utf_8_with_one_line_end():
    for path in tracked():
        if path.suffix in (".py", ".md", ".yaml", ".smk", ".toml", ".jinja", ".cff", ".json"):
            content = path.read_bytes()
            content.decode("utf-8")
            assert b"\r" not in content, path
            assert content == b"" or content.endswith(b"\n"), path


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "config/README.md",
                                  "demo_landmarks/README.md"])  # fmt: skip
def test_files_named_in_the_texts_are_there(name):
    """Relative links, and paths in code with a folder and an ending."""
    page, folder = text(name), (HOUSE / name).parent
    for link in re.findall(r"\]\((?!http)([^)#]+)\)", page):
        assert (folder / link).exists(), link
    for path in re.findall(r"`((?:morpho|tests|config|demo_landmarks)/[\w/]+\.\w+)`", page):
        assert (HOUSE / path).exists(), path


def test_the_licence_is_the_one_named():
    assert text("LICENSE").startswith("BSD 3-Clause License")
