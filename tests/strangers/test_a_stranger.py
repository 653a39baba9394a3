"""A distribution that nobody here knows, installed into a fresh environment: it adds, and nothing is touched."""

from __future__ import annotations

import base64
import hashlib
import json
import subprocess
import sys
import sysconfig
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.long

HERE = Path(__file__).parent / "bench_hygrometer"

ROUTINE = """\
format = 1
routine = { title = "Washer, in damp air", part = "W-2" }
reference = { name = "Block 5 mm", size = "5 mm", deviation = "0 um" }
comparator = { resolution = "0.1 um", travel = "50 um" }
characteristics.thickness = { measure = "size", at = "a", nominal = "5 mm", lower = "-3 um", upper = "+3 um" }
checks.humidity = { highest = 55.0 }
steps = [
    { do = "humidity", where = "on the plate" },
    { do = "zero", times = 3 },
    { do = "read", at = "a", times = 3 },
    { do = "return" },
]
"""


def wheel_of(folder: Path, to: Path) -> Path:
    """The distribution as a wheel: a zip file with its module, its metadata and its entry points.

    Written by hand so that no network is needed; PEP 427 and the core metadata specification 2.1.
    """
    project = tomllib.loads((folder / "pyproject.toml").read_text("utf-8"))["project"]
    stem = f"{project['name'].replace('-', '_')}-{project['version']}"
    points = project["entry-points"]
    files = {path.name: path.read_bytes() for path in folder.glob("*.py")} | {
        f"{stem}.dist-info/METADATA": (
            f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n"
        ).encode(),
        f"{stem}.dist-info/WHEEL": b"Wheel-Version: 1.0\nGenerator: hand\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{stem}.dist-info/entry_points.txt": "\n".join(
            line for group, own in points.items() for line in (f"[{group}]", *(f"{k} = {v}" for k, v in own.items()))
        ).encode(),
    }
    rows = [f"{name},sha256={_digest(content)},{len(content)}" for name, content in files.items()]
    files[f"{stem}.dist-info/RECORD"] = "\n".join([*rows, f"{stem}.dist-info/RECORD,,", ""]).encode()
    path = to / f"{stem}-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return path


def _digest(content: bytes) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(content).digest()).rstrip(b"=").decode()


@pytest.fixture(scope="module")
def python(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fresh environment that sees holdzero as it is installed here, with the stranger's wheel in it."""
    folder = tmp_path_factory.mktemp("fresh")
    venv.create(folder / "venv", with_pip=True)
    python = folder / "venv" / ("Scripts" if sys.platform == "win32" else "bin") / "python"
    own = subprocess.run(
        [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()
    here = sysconfig.get_path("purelib")
    (Path(own) / "beside.pth").write_text(f"import site; site.addsitedir({here!r})\n", "utf-8")
    wheel = wheel_of(HERE, folder)
    command: list[str | Path] = [
        python,
        "-m",
        "pip",
        "install",
        "--quiet",
        "--no-index",
        "--no-deps",
        "--disable-pip-version-check",
        wheel,
    ]
    subprocess.run(command, check=True)
    return python


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A folder with a routine that needs the stranger's plugin, and a tape of answers."""
    (tmp_path / "washer.toml").write_text(ROUTINE, "utf-8")
    (tmp_path / "tape.txt").write_text("48 %\n0\n0.1\n-0.1\n1.0\n1.1\n0.9\n0\n", "utf-8")
    return tmp_path


def tool(python: Path | str, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [python, "-m", "holdzero", *arguments], cwd=folder, capture_output=True, text=True, check=False
    )


RUN = (
    "run",
    "washer.toml",
    "--source",
    "tape:tape.txt",
    "--operator",
    "B",
    "--serial",
    "3",
    "--out",
    "records",
    "--json",
)


def test_is_listed_with_all_that_it_declares(python: Path, bench: Path) -> None:
    done = tool(python, bench, "plugins")
    assert "step humidity, check humidity, source tape, writer card" in done.stdout
    assert "from bench-hygrometer 1.2: bench_hygrometer" in done.stdout
    assert "REFUSED" not in done.stdout


def test_its_step_check_source_and_writer_take_part_in_a_run(python: Path, bench: Path) -> None:
    done = tool(python, bench, *RUN)
    assert done.returncode == 0, done.stderr
    record = json.loads(done.stdout)
    assert record["verdict"] == "pass"
    assert record["readings"][0]["raw"] == "48 %"
    (said,) = (item for item in record["software"]["plugins"] if item["name"] == "bench_hygrometer")
    assert (said["distribution"], said["version"]) == ("bench-hygrometer", "1.2")
    (card,) = (bench / "records").glob("*.card.txt")
    assert card.read_text("utf-8") == "W-2 3: pass\n"
    assert tool(python, bench, "verify", "records").returncode == 0


def test_its_check_can_stop_the_result(python: Path, bench: Path) -> None:
    text = (bench / "tape.txt").read_text("utf-8")
    (bench / "tape.txt").write_text(text.replace("48 %", "71 %"), "utf-8")
    done = tool(python, bench, *RUN)
    assert done.returncode == 3
    assert "humidity/high" in [finding["code"] for finding in json.loads(done.stdout)["findings"]]


def test_its_settings_are_checked_before_anybody_measures(python: Path, bench: Path) -> None:
    (bench / "washer.toml").write_text(ROUTINE.replace("highest", "higest").replace("where", "were"), "utf-8")
    done = tool(python, bench, "validate", "washer.toml")
    assert done.returncode == 2
    assert "steps[1].were" in done.stdout
    (bench / "washer.toml").write_text(ROUTINE.replace("highest", "higest"), "utf-8")
    assert "did you mean highest?" in tool(python, bench, "validate", "washer.toml").stdout


def test_where_it_is_not_installed_the_routine_is_refused_and_its_record_is_told(python: Path, bench: Path) -> None:
    assert tool(python, bench, *RUN).returncode == 0
    refused = tool(sys.executable, bench, "validate", "washer.toml")
    assert refused.returncode == 2
    assert "found 'humidity'; expected a step kind" in refused.stdout
    assert "the plugin that declares it is not loaded" in refused.stdout
    verified = tool(sys.executable, bench, "verify", "records")
    assert verified.returncode == 1
    assert "the plugin bench_hygrometer of bench-hygrometer 1.2, which it used, is not loaded here" in verified.stdout
    # What was read is folded all the same: the record holds steps of the core alone.
    assert "events" not in verified.stdout


def test_the_runner_was_not_touched(python: Path, bench: Path) -> None:
    code = "import holdzero, bench_hygrometer; print(holdzero.__file__); print(bench_hygrometer.__file__)"
    done = subprocess.run([python, "-c", code], cwd=bench, capture_output=True, text=True, check=True)
    ours, theirs = done.stdout.splitlines()
    import holdzero

    assert Path(ours) == Path(holdzero.__file__)
    assert "site-packages" in theirs
