"""The command line as a script sees it: exit codes, what goes to which stream, and errors that name the place."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any, Protocol, TypeAlias

import pytest
from typer.testing import CliRunner

from holdzero import __version__
from holdzero.cli import app
from holdzero.record import digest_of_record, dumps
from holdzero.testing import GOOD, PLAIN

PASS, FAIL, INVALID, UNDECIDED, INTERRUPTED, OTHER_MODEL = 0, 1, 2, 3, 4, 5
Record: TypeAlias = dict[str, Any]


class Done(Protocol):
    """A process that has ended."""

    returncode: int
    stdout: str
    stderr: str


class Tool:
    """`holdzero` as a process in a folder with a routine and a readings file."""

    def __init__(self, folder: Path, routine: str, starter: Any) -> None:
        self.folder = folder
        self.starter = starter
        self.routine = self.write("washer.toml", routine)

    def write(self, name: str, text: str) -> str:
        (self.folder / name).write_text(text, "utf-8")
        return name

    def readings(self, *answers: str, name: str = "readings.csv") -> str:
        return self.write(name, "time,answer\n" + "".join(f',"{answer}"\n' for answer in answers))

    def __call__(self, *arguments: str, given: str | None = "", env: dict[str, str] | None = None) -> Done:
        done: Done = self.starter.run(*arguments, folder=self.folder, given=given, env=env)
        assert "Traceback" not in done.stdout + done.stderr, done.stderr
        return done

    def run(self, *answers: str, more: tuple[str, ...] = ()) -> Done:
        source = f"readings:{self.readings(*answers)}"
        return self("run", self.routine, "--source", source, "--out", "out", *more)

    def file(self, ending: str) -> Path:
        (path,) = (self.folder / "out").glob(f"*{ending}")
        return path

    @property
    def record(self) -> Record:
        record: Record = json.loads(self.file(".record.json").read_text("utf-8"))
        return record


@pytest.fixture
def plain() -> str:
    """The text of the routine that the kit measures with."""
    return PLAIN


@pytest.fixture
def tool(tmp_path: Path, plain: str, starter: Any) -> Tool:
    return Tool(tmp_path, plain, starter)


class TestExitCodes:
    def test_pass_is_0(self, tool: Tool) -> None:
        assert tool.run(*GOOD).returncode == PASS
        assert tool.record["verdict"] == "pass"

    def test_fail_is_1(self, tool: Tool) -> None:
        assert tool.run(*GOOD[:3], "+9.0", "+9.1", "+8.9", "0").returncode == FAIL
        assert tool.record["verdict"] == "fail"

    def test_undecided_is_3(self, tool: Tool) -> None:
        assert tool.run(*GOOD[:3], "+3.0", "+3.1", "+2.9", "0").returncode == UNDECIDED
        assert tool.record["verdict"] == "undecided"

    def test_reported_is_0(self, tool: Tool, plain: str) -> None:
        tool.write(tool.routine, plain.replace('lower = "-3 um"\nupper = "+3 um"\n', ""))
        assert tool.run(*GOOD).returncode == PASS
        assert tool.record["verdict"] == "reported"

    def test_a_batch_ends_with_its_worst(self, tool: Tool, plain: str) -> None:
        tool.write(tool.routine, plain.replace(ONE_PART, EACH_PART))
        three = ("--serial", "1", "--serial", "2", "--serial", "3")
        good, doubtful, bad = ("+1", "+1.1"), ("+3.0", "+2.9"), ("+9", "+9.1")
        assert tool.run(*GOOD[:3], *good, *doubtful, *bad, "0", more=three).returncode == FAIL
        assert tool.run(*GOOD[:3], *good, *good, *doubtful, "0", more=three).returncode == UNDECIDED
        assert tool.run(*GOOD[:3], *good, *good, *good, "0", more=three).returncode == PASS

    @pytest.mark.parametrize(
        "arguments",
        [
            ("run",),
            ("run", "washer.toml", "--nonsense"),
            ("nonsense",),
            ("run", "washer.toml", "--source", "telepathy"),
            ("run", "washer.toml", "--source", "readings"),
            ("run", "washer.toml", "--source", "readings:missing.csv"),
            ("run", "washer.toml", "--source", "keyboard:x"),
            ("run", "missing.toml"),
            ("run", "."),
            ("run", "binary"),
            ("run", "washer.toml", "--source", "readings:."),
            ("run", "washer.toml", "--source", "readings:binary"),
            ("run", "washer.toml", "--shop", "binary"),
            ("run", "washer.toml", "--shop", "."),
            ("run", "washer.toml", "--member", "M3"),
            ("resume", "missing.journal.jsonl"),
            ("resume", "."),
            ("resume", "binary"),
            ("resume", "washer.toml"),
            ("verify", "missing.record.json"),
            ("verify", "binary"),
            ("verify", "washer.toml"),
            ("verify", "empty"),
            ("validate", "missing.toml"),
            ("validate", "binary"),
            ("validate", "empty"),
            ("register", "show", "nothing"),
            ("register", "list", "--shop", "binary"),
            ("register", "add", "reference", "B5", "size"),
            ("register", "add", "hammer", "H1", "size=5 mm"),
            ("register", "add", "reference", "B5", "size=5 mmm"),
        ],
        ids=" ".join,
    )
    def test_what_can_not_be_used_is_2_with_a_message(self, tool: Tool, arguments: tuple[str, ...]) -> None:
        (tool.folder / "binary").write_bytes(b"\x89PNG\r\n\x1a\n\x00\xff\xfe")
        (tool.folder / "empty").mkdir()
        done = tool(*arguments)
        assert done.returncode == INVALID, done.stdout + done.stderr
        # What `validate` was asked for is the faults of files: they are its output.
        faulty = arguments[0] == "validate" and arguments[1] != "empty"
        assert (done.stdout if faulty else done.stderr).strip()
        assert "a fault of the tool itself" not in done.stderr

    @pytest.mark.parametrize(
        ("loads", "arguments"),
        [
            ("holdzero.cli.routines.validate_routines", ("validate", "washer.toml")),
            ("holdzero.cli.late.import_module", ("book", "list")),
            ("holdzero.cli.TyperGroup.make_context", ("validate", "washer.toml")),
        ],
    )
    def test_ctrl_c_while_a_command_loads_is_4_and_is_said(
        self, monkeypatch: pytest.MonkeyPatch, loads: str, arguments: tuple[str, ...]
    ) -> None:
        def pressed(*_: Any, **__: Any) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr(loads, pressed)
        done = CliRunner().invoke(app, arguments)
        assert (done.exit_code, done.stderr) == (INTERRUPTED, "\nholdzero: interrupted\n")

    def test_a_text_that_is_not_utf_8_is_refused_before_anything_is_measured(self, tool: Tool) -> None:
        done = tool("run", tool.routine, "--operator", "\udcff", "--source", f"readings:{tool.readings(*GOOD)}")
        assert done.returncode == INVALID
        assert "--operator" in done.stderr


ONE_PART = 'times = 3\nsteps = [ { do = "read", at = "a" } ]'
EACH_PART = 'over = "parts"\nsteps = [ { do = "read", at = "a", times = 2 } ]'


class TestJson:
    def test_it_prints_the_record_and_nothing_else(self, tool: Tool) -> None:
        done = tool.run(*GOOD, more=("--json",))
        assert done.stdout.endswith("\n")
        assert done.stdout.count("\n") == 1
        assert json.loads(done.stdout) == tool.record
        assert "PASS" in done.stderr

    def test_without_it_the_summary_is_there(self, tool: Tool) -> None:
        done = tool.run(*GOOD)
        assert "[+] PASS" in done.stdout
        assert done.stderr == ""

    def test_a_batch_prints_one_record_a_line(self, tool: Tool) -> None:
        batch = (tool.folder / tool.routine).read_text("utf-8").replace("times = 3\nsteps", 'over = "parts"\nsteps')
        tool.write(tool.routine, batch)
        done = tool.run(*GOOD[:3], "+1", "+9", "0", more=("--json", "--serial", "A", "--serial", "B"))
        records = [json.loads(line) for line in done.stdout.splitlines()]
        assert [record["run"]["serial"] for record in records] == ["A", "B"]
        assert len(list((tool.folder / "out").glob("*.record.json"))) == 2

    def test_an_interrupted_run_prints_nothing(self, tool: Tool) -> None:
        done = tool.run(*GOOD[:4], more=("--json",))
        assert done.returncode == INTERRUPTED
        assert done.stdout == ""

    def test_from_the_keyboard_the_prompts_go_elsewhere(self, tool: Tool) -> None:
        options = ("--json", "--operator", "T. Ester", "--serial", "1", "--out", "out")
        done = tool("run", tool.routine, *options, given="".join(f"{answer}\n" for answer in (*GOOD, "")))
        assert done.returncode == PASS
        assert json.loads(done.stdout)["run"]["operator"] == "T. Ester"
        assert "ZERO ON THE REFERENCE" in done.stderr

    def test_a_record_that_can_not_be_printed_is_no_verdict(self, tool: Tool) -> None:
        source = f"readings:{tool.readings(*GOOD)}"
        command = [sys.executable, "-m", "holdzero", "run", tool.routine, "--source", source, "--out", "out", "--json"]
        with Path("/dev/full").open("w") as full:
            done = subprocess.run(
                command, cwd=tool.folder, stdout=full, stderr=subprocess.PIPE, encoding="utf-8", check=False
            )
        assert done.returncode == INTERRUPTED
        assert "the record could not be printed" in done.stderr
        assert tool.record["verdict"] == "pass"

    def test_an_output_that_takes_no_more_is_told_as_what_it_is(self, tool: Tool) -> None:
        command = [sys.executable, "-m", "holdzero", "validate", tool.routine]
        with Path("/dev/full").open("w") as full:
            done = subprocess.run(
                command, cwd=tool.folder, stdout=full, stderr=subprocess.PIPE, encoding="utf-8", check=False
            )
        assert done.returncode == INVALID
        assert done.stderr.startswith("holdzero: the output: No space left on device\n")
        assert "fault of the tool" not in done.stderr
        assert "Exception" not in done.stderr

    def test_a_reader_that_went_away_changes_no_verdict(self, tool: Tool) -> None:
        source = f"readings:{tool.readings(*GOOD)}"
        command = [sys.executable, "-m", "holdzero", "run", tool.routine, "--source", source, "--out", "out"]
        with subprocess.Popen(command, cwd=tool.folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
            assert process.stdout is not None
            process.stdout.close()
            assert process.wait() == PASS
            assert process.stderr is not None
            assert b"Traceback" not in process.stderr.read()


class TestReadingsFile:
    def test_too_few_answers_is_4_and_the_rest_finishes_identically(self, tool: Tool, tmp_path: Path) -> None:
        times = range(10, 80, 10)
        timed = [f'{time},"{answer}"\n' for time, answer in zip(times, GOOD, strict=True)]
        (tmp_path / "whole").mkdir()
        whole = Tool(tmp_path / "whole", (tmp_path / tool.routine).read_text("utf-8"), tool.starter)
        for one, lines in ((whole, timed), (tool, timed[:5])):
            one.write("readings.csv", "time,answer\n" + "".join(lines))
        source = ("--source", "readings:readings.csv", "--out", "out")
        assert whole("run", whole.routine, *source).returncode == PASS

        done = tool("run", tool.routine, *source)
        assert done.returncode == INTERRUPTED
        assert "no answer is left for “Read place a”" in done.stderr
        journal = tool.file(".journal.jsonl").relative_to(tool.folder)
        assert f"holdzero resume {journal}" in done.stderr

        rest = tool.write("rest.csv", "time,answer\n" + "".join(timed[5:]))
        again = tool("resume", str(journal), "--source", f"readings:{rest}", "--json")
        assert again.returncode == PASS
        assert json.loads(again.stdout) == tool.record
        assert tool.record["results"] == whole.record["results"]
        told = [finding for finding in tool.record["findings"] if finding["code"] != "run/continued"]
        assert told == whole.record["findings"]
        assert len(tool.record["findings"]) == len(told) + 1, "that it was broken off is told"
        assert tool.record["run"]["source"] == "readings:readings.csv, then readings:rest.csv"
        assert tool("verify", "out").returncode == PASS

    def test_too_many_answers_is_2_and_names_the_line(self, tool: Tool) -> None:
        done = tool.run(*GOOD, "+5")
        assert done.returncode == INVALID
        assert "readings.csv:9: '+5' is one answer too many" in done.stderr
        assert not list((tool.folder / "out").glob("*.record.json"))

    @pytest.mark.parametrize(
        ("answer", "reason"),
        [
            ("abc", "is no reading"),
            ("nan", "is no reading"),
            ("inf", "is no reading"),
            ("1e3", "is no reading"),
            ("+60", "beyond the dial's travel of 50 um"),
            ("20 degC", "a length"),
            ("+1.0 +1.1", "is no reading"),
            ("0.0012 kg", "is no reading"),
        ],
    )
    def test_a_wrong_reading_is_2_and_names_the_line(self, tool: Tool, answer: str, reason: str) -> None:
        done = tool.run(*GOOD[:2], answer)
        assert done.returncode == INVALID
        assert "readings.csv:4: " in done.stderr
        assert reason in done.stderr
        assert "all that was accepted is saved; to go on:\n    holdzero resume out/" in done.stderr

    def test_a_time_that_goes_back_names_the_line(self, tool: Tool) -> None:
        tool.write("back.csv", "time,answer\n10,0\n20,0\n19,0\n")
        done = tool("run", tool.routine, "--source", "readings:back.csv")
        assert done.returncode == INVALID
        assert "back.csv:4: time 19 s, but the run is at 20 s" in done.stderr

    @pytest.mark.parametrize(
        ("text", "said"),
        [
            ("", "readings.csv: empty"),
            ("# only a comment\n", "readings.csv: empty"),
            ("answer,time\n0,1\n", "readings.csv:1: found 'answer,time'; the first line must be time,answer"),
            ("0,+1\n", "readings.csv:1: found '0,+1'; the first line must be time,answer"),
            ("# note\n\ntime;answer\n", "readings.csv:3: found 'time;answer'"),
            ("time,answer\n,+1,5\n", "readings.csv:2: found 3 cells"),
            ("time,answer\n,\n,+1\n1,\n", "readings.csv:4: the answer is missing"),
            ("time,answer\nnoon,+1\n", "readings.csv:2: found time 'noon'"),
            ("time,answer\n-1,+1\n", "readings.csv:2: found time '-1'"),
            ("time,answer\nnan,+1\n", "readings.csv:2: found time 'nan'"),
            ('time,answer\n,"+1\n', "check the quotation marks"),
        ],
    )
    def test_a_file_that_is_none_names_the_line(self, tool: Tool, text: str, said: str) -> None:
        tool.write("readings.csv", text)
        done = tool("run", tool.routine, "--source", "readings:readings.csv", "--out", "out")
        assert done.returncode == INVALID
        assert said in done.stderr
        assert not (tool.folder / "out").exists()

    def test_comments_blank_lines_and_a_quoted_decimal_comma_are_read(self, tool: Tool) -> None:
        text = '\ufeff# first\ntime,answer\n\n # zero\n1,0\n,"+0,1"\n, -0.1 um\n3,+1\n,1.1\n,"0,9"\r\n,0\n# last\n'
        tool.write("odd.csv", text)
        done = tool("run", tool.routine, "--source", "readings:odd.csv", "--out", "out")
        assert done.returncode == PASS, done.stderr
        assert tool.record["results"]["thickness"]["value_um"] == pytest.approx(1.0)
        assert [event["raw"] for event in tool.record["events"] if "raw" in event][1] == "+0,1"


class TestWhatItSays:
    def test_version(self, tool: Tool) -> None:
        done = tool("--version")
        assert (done.returncode, done.stdout) == (0, f"holdzero {__version__}\n")

    @pytest.mark.parametrize(
        "command", [(), ("run",), ("resume",), ("verify",), ("validate",), ("plugins",), ("register",)], ids=" ".join
    )
    def test_help(self, tool: Tool, command: tuple[str, ...]) -> None:
        done = tool(*command, "--help")
        assert done.returncode == 0
        assert done.stdout.startswith("Usage: ")
        assert done.stderr == ""

    def test_help_of_run_tells_the_exit_codes(self, tool: Tool) -> None:
        assert "0 pass, 1 fail, 3 undecided" in " ".join(tool("run", "--help").stdout.split())

    def test_plugins_are_listed_with_their_origin(self, tool: Tool) -> None:
        done = tool("plugins")
        assert done.returncode == 0
        assert "check thermal" in done.stdout
        assert f"from holdzero {__version__}: holdzero_plugins.checks.thermal" in done.stdout

    def test_validate_names_file_line_and_key(self, tool: Tool, plain: str) -> None:
        tool.write("wrong.toml", plain.replace('size = "5 mm"', 'size = "5"'))
        done = tool("validate", "wrong.toml")
        assert done.returncode == INVALID
        assert "wrong.toml:9: error: reference.size" in done.stdout

    @pytest.mark.parametrize(
        ("old", "new", "told"),
        [
            ('[[steps]]\ndo = "zero"', '[checks.termal]\n[[steps]]\ndo = "zero"', "did you mean thermal?"),
            ('[[steps]]\ndo = "zero"', '[[steps]]\ndo = "clen"\n[[steps]]\ndo = "zero"', "did you mean clean?"),
            ('[[steps]]\ndo = "zero"', '[[steps]]\ndo = "polish"\n[[steps]]\ndo = "zero"', "compare, clean\n"),
        ],
    )
    def test_validate_knows_the_checks_and_steps_of_plugins(
        self, tool: Tool, plain: str, old: str, new: str, told: str
    ) -> None:
        tool.write("wrong.toml", plain.replace(old, new, 1))
        done = tool("validate", "wrong.toml")
        assert done.returncode == INVALID
        assert told in done.stdout

    @pytest.mark.parametrize(
        ("old", "new", "told"),
        [
            ('lower = "-3 um"\nupper = "+3 um"', 'lower = "4.997 mm"\nupper = "5.003 mm"', "off: -3 um"),
            ('lower = "-3 um"', 'lower = "+3 um"', "did you mean -3 um?"),
            ('do = "return"', 'do = "prepare"\nsay = "Wait."', "can only end undecided"),
        ],
    )
    def test_validate_refuses_what_could_only_be_measured_in_vain(
        self, tool: Tool, plain: str, old: str, new: str, told: str
    ) -> None:
        assert old in plain
        tool.write("wrong.toml", plain.replace(old, new, 1))
        done = tool("validate", "wrong.toml")
        assert done.returncode == INVALID
        assert told in done.stdout

    def test_validate_tells_errors_and_warnings_in_one_stream(self, tool: Tool, plain: str) -> None:
        tool.write("early.toml", plain.replace('do = "return"', 'do = "prepare"\nsay = "Wait."'))
        tool.write("wrong.toml", plain.replace('size = "5 mm"', 'size = "5"'))
        done = tool("validate", "early.toml", "wrong.toml")
        assert (done.returncode, done.stderr) == (INVALID, "")
        assert done.stdout.count("wrong.toml:") == 2

    def test_verify_shows_both_numbers_where_another_version_of_the_model_made_one(self, tool: Tool) -> None:
        tool.run(*GOOD)
        path, record = tool.file(".record.json"), tool.record
        record["model"] -= 1
        result = next(iter(record["results"].values()))
        result["expanded_uncertainty_um"] *= 3.0
        result["verdict"] = record["verdict"] = "undecided"
        path.write_text(dumps({**record, "digest": digest_of_record(record)}), "utf-8")
        done = tool("verify", str(path))
        assert done.returncode == OTHER_MODEL
        assert "neither confirmed nor refuted" in done.stdout
        assert "the verdict CHANGES to pass" in done.stdout

    def test_verify_tells_a_changed_record(self, tool: Tool) -> None:
        tool.run(*GOOD)
        path = tool.file(".record.json")
        assert tool("verify", str(path)).returncode == 0
        path.write_text(path.read_text("utf-8").replace('"raw": "+1.1"', '"raw": "+1.2"'), "utf-8")
        done = tool("verify", str(path))
        assert done.returncode == 1
        assert "DIFFERS" in done.stdout


class TestNamesOfFiles:
    @pytest.mark.parametrize("serial", ["../../x", "<b>", "a/b\\c:d*e?f", "…", "-", ".", "CON", "x" * 300])
    def test_a_serial_makes_only_safe_ones_and_stays_whole_in_the_record(self, tool: Tool, serial: str) -> None:
        done = tool.run(*GOOD, more=(f"--serial={serial}",))
        assert done.returncode == PASS, done.stderr
        assert tool.record["run"]["serial"] == serial
        safe = set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-")
        made = [path for path in tool.folder.rglob("*") if path.is_file()]
        assert {path.parent for path in made} == {tool.folder, tool.folder / "out"}
        assert all(set(path.name) <= safe and len(path.name) < 200 for path in made)

    def test_two_runs_in_one_second_do_not_write_over_each_other(self, tool: Tool) -> None:
        for _ in range(3):
            tool.run(*GOOD)
        assert len(list((tool.folder / "out").glob("*.record.json"))) == 3
        assert len(list((tool.folder / "out").glob("*.journal.jsonl"))) == 3


REGISTERED = """\
[reference]
size = "5 mm"
largest_expanded = "0.1 um"
"""


class TestRegister:
    @pytest.fixture
    def shop(self, tool: Tool, plain: str) -> Tool:
        """A routine that names what it needs, and a register with one good and one overdue block."""
        whole = plain[plain.index("[reference]") : plain.index("[comparator]")]
        tool.write(tool.routine, plain.replace(whole, REGISTERED + "\n"))
        deviation = 'deviation={ value = "+0.02 um", expanded = "0.06 um", coverage = 2 }'
        for name, due in (("B5", "2099-01-31"), ("OLD", "2001-01-31")):
            done = tool("register", "add", "reference", name, 'size="5 mm"', deviation, "material=steel", f"due={due}")
            assert done.returncode == 0, done.stderr
        return tool

    def test_entries_are_listed_and_shown(self, shop: Tool) -> None:
        assert "2099-01-31" in shop("register", "list").stdout
        assert "size = 5 mm" in shop("register", "show", "B5").stdout
        assert shop("register", "show", "B6").returncode == INVALID

    def test_a_wrong_entry_leaves_the_register_as_it_was(self, shop: Tool) -> None:
        before = (shop.folder / "shop.toml").read_bytes()
        done = shop("register", "add", "reference", "B6", "size=5", "material=steel")
        assert done.returncode == INVALID
        assert "reference.B6" in done.stderr
        assert (shop.folder / "shop.toml").read_bytes() == before

    def test_a_register_that_can_not_be_written_says_so(self, tool: Tool) -> None:
        done = tool("register", "add", "comparator", "D5", "resolution=0.1 um", "--shop", "none/shop.toml")
        assert done.returncode == INVALID
        assert "none/shop.toml" in done.stderr

    def test_the_named_block_is_used_and_on_record(self, shop: Tool) -> None:
        assert shop.run(*GOOD, more=("--reference", "B5")).returncode == PASS
        assert shop.record["register"]["reference"]["id"] == "B5"
        assert shop.record["results"]["thickness"]["value_um"] == pytest.approx(1.02)

    def test_an_unknown_one_is_refused_with_those_that_are_there(self, shop: Tool) -> None:
        done = shop.run(*GOOD, more=("--reference", "B7"))
        assert done.returncode == INVALID
        assert "it has: B5, OLD" in done.stderr

    def test_an_overdue_one_is_refused(self, shop: Tool) -> None:
        done = shop.run(*GOOD, more=("--reference", "OLD"))
        assert done.returncode == INVALID
        assert "its calibration was due on 2001-01-31" in done.stderr

    def test_overruled_with_a_reason_it_is_used_and_the_reason_is_on_record(self, shop: Tool) -> None:
        done = shop.run(*GOOD, more=("--reference", "OLD", "--overrule", "new one is on its way"))
        assert done.returncode == PASS
        assert "new one is on its way" in shop.record["register"]["reference"]["overruled"]
        codes = [finding["code"] for finding in shop.record["findings"] if finding["level"] == "doubt"]
        assert "reference/overruled" in codes

    def test_an_overdue_one_in_the_routine_itself_likewise(self, tool: Tool, plain: str) -> None:
        tool.write(tool.routine, plain.replace('size = "5 mm"', 'size = "5 mm"\ndue = 2001-01-31', 1))
        refused = tool.run(*GOOD)
        assert refused.returncode == INVALID
        assert "was due on 2001-01-31" in refused.stderr
        assert "--overrule" in refused.stderr
        assert not (tool.folder / "out").exists()
        assert tool.run(*GOOD, more=("--overrule", "checked against set 3")).returncode == PASS
