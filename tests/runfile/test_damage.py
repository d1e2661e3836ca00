"""Files that are missing, damaged, foreign, too new or in the way, and disks that are full."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import h5py
import numpy as np
import pytest
from runfile_samples import make_field, make_row

from ampsoak.base.errors import FileError, MismatchError
from ampsoak.runfile import heldfile
from ampsoak.runfile.partfile import check_target
from ampsoak.runfile.provenance import verify
from ampsoak.runfile.read import open_run
from ampsoak.runfile.write import RunWriter, write_curve

HERE = Path(__file__).parent


def start_killable(tmp_path: Path, ending: str) -> Path:
    """Run a writer in a process that ends by ``ending`` in the middle of a run; returns the final path it had."""
    target = tmp_path / "run.h5"
    code = f"""
        import os, signal, sys
        sys.path.insert(0, {str(HERE)!r})
        from runfile_samples import make_header, make_row, make_field
        from ampsoak.runfile.write import RunWriter
        writer = RunWriter({str(target)!r}, make_header())
        writer.__enter__()
        for number in range(30):
            writer.append(**make_row(number / 10))
            if number % 10 == 9:
                writer.snapshot(number, make_field(number))
        writer.append(**make_row(99.0))
        {ending}
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(code)], capture_output=True, text=True, check=False)
    assert done.returncode in (7, -signal.SIGKILL), done.stderr
    return target


@pytest.mark.parametrize("ending", ["os._exit(7)", "os.kill(os.getpid(), signal.SIGKILL)"])
def test_a_killed_run_leaves_every_snapshot_it_took(tmp_path, ending):
    target = start_killable(tmp_path, ending)
    assert not target.exists()
    found = open_run(tmp_path / "run.h5.part")
    assert not found.complete and found.canonical_hash == ""
    assert found.snapshot_time.tolist() == [9.0, 19.0, 29.0]
    assert np.array_equal(found.snapshot_temperature[2], make_field(29))
    assert found.time.tolist() == [number / 10 for number in range(30)]
    with pytest.raises(FileError, match="never finished"):
        verify(tmp_path / "run.h5.part")


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError])
def test_an_interrupted_run_keeps_all_it_recorded(tmp_path, header, error):
    with pytest.raises(error), RunWriter(tmp_path / "run.h5", header) as writer:
        writer.append(**make_row(0.0))
        writer.append(**make_row(1.0))
        raise error
    assert open_run(tmp_path / "run.h5.part").time.tolist() == [0.0, 1.0]
    assert not (tmp_path / "run.h5").exists()


def test_a_run_not_finished_is_not_published(tmp_path, header):
    with RunWriter(tmp_path / "run.h5", header) as writer:
        writer.append(**make_row(0.0))
    assert not (tmp_path / "run.h5").exists()
    assert not open_run(tmp_path / "run.h5.part").complete


def test_nothing_is_overwritten_without_force(tmp_path, header, curve):
    target = tmp_path / "run.h5"
    target.write_text("evidence")
    for write in (lambda: RunWriter(target, header), lambda: write_curve(target, curve)):
        with pytest.raises(FileError, match="exists already"):
            write()
    assert target.read_text() == "evidence" and os.listdir(tmp_path) == ["run.h5"]
    write_curve(target, curve, force=True)
    assert open_run(target).circuit == "ring"


def test_an_unfinished_file_is_not_overwritten_without_force(tmp_path, header, curve):
    part = tmp_path / "run.h5.part"
    part.write_text("what an earlier run saved")
    with pytest.raises(FileError, match="run.h5.part is there"):
        RunWriter(tmp_path / "run.h5", header)
    assert part.read_text() == "what an earlier run saved"
    write_curve(tmp_path / "run.h5", curve, force=True)
    assert not part.exists()


def test_a_file_that_appears_meanwhile_is_not_overwritten(tmp_path, header):
    target = tmp_path / "run.h5"
    with pytest.raises(FileError, match="appeared while this was computed"), RunWriter(target, header) as writer:
        target.write_text("evidence")
        writer.finish({})
    assert target.read_text() == "evidence"
    assert open_run(tmp_path / "run.h5.part").complete


def test_targets_that_cannot_be_written_are_refused_early(tmp_path, monkeypatch):
    (tmp_path / "a_file").write_text("")
    with pytest.raises(FileError, match="is a file, not a folder"):
        check_target(tmp_path / "a_file" / "run.h5")
    with pytest.raises(FileError, match="does not exist"):
        check_target(tmp_path / "nowhere" / "run.h5")
    with pytest.raises(FileError, match="is a folder"):
        check_target(tmp_path)
    # a read-only folder; simulated, because the superuser may write anywhere
    monkeypatch.setattr("ampsoak.runfile.partfile.os.access", lambda path, mode: False)
    with pytest.raises(FileError, match="read-only"):
        check_target(tmp_path / "run.h5")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_read_only_folder_is_refused(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(FileError, match="read-only"):
        check_target(tmp_path / "run.h5")


def test_a_full_disk_keeps_what_was_saved_before(tmp_path, header, monkeypatch):
    """The room for growth is reserved before anything is changed; here the third commit finds none."""
    calls = []

    def reserve(self, begin, end):
        calls.append(begin)
        if len(calls) > 2:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(heldfile.HeldFile, "_reserve", reserve)
    random = np.random.default_rng(0)
    with (
        pytest.raises(FileError, match=r"no room left on the disk; what was computed before is kept in run\.h5\.part"),
        RunWriter(tmp_path / "run.h5", header) as writer,
    ):
        for number in range(2000):
            writer.append(**(make_row(number) | {"part_mean": random.random(3)}))
    found = open_run(tmp_path / "run.h5.part")
    assert len(found.time) == 256 and not found.complete


@pytest.mark.skipif(sys.platform != "linux", reason="needs a limit on file size")
def test_a_real_limit_on_file_size_gives_one_message_and_a_readable_file(tmp_path):
    """HDF5 2.0 left alone with a failed write crashes the interpreter at exit (tried); ours must end in order."""
    code = f"""
        import resource, sys
        sys.path.insert(0, {str(HERE)!r})
        from runfile_samples import make_header, make_row
        from ampsoak.runfile.write import RunWriter
        from ampsoak.base.errors import FileError
        resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, 150_000))
        try:
            with RunWriter({str(tmp_path / "run.h5")!r}, make_header()) as writer:
                for number in range(100_000):
                    writer.append(**make_row(number))
        except FileError as error:
            print(error)
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(code)], capture_output=True, text=True, check=False)
    assert done.returncode == 0 and done.stderr == "", done.stderr
    assert "no room left" in done.stdout and "run.h5.part" in done.stdout
    assert len(open_run(tmp_path / "run.h5.part").time) >= 256


def damaged(tmp_path, curve, how) -> Path:
    path = tmp_path / "curve.h5"
    write_curve(path, curve)
    raw = bytearray(path.read_bytes())
    path.write_bytes(how(raw))
    return path


def flip_in(name: str):
    """Flip one byte inside the stored chunk of a dataset."""

    def flip(raw: bytearray) -> bytearray:
        import io

        with h5py.File(io.BytesIO(bytes(raw)), "r") as file:
            chunk = file[name].id.get_chunk_info(0)
        raw[chunk.byte_offset + chunk.size // 2] ^= 0x10
        return raw

    return flip


def test_a_flipped_byte_is_found(tmp_path, curve):
    """Tried with HDF5 2.0: with fletcher32 one flipped byte raises; without, a wrong number is read silently."""
    path = damaged(tmp_path, curve, flip_in("conductor_temperature"))
    with pytest.raises(FileError, match="damaged in 'conductor_temperature', a checksum does not match"):
        open_run(path)
    with pytest.raises(MismatchError, match="conductor_temperature"):
        verify(path)


def test_a_truncated_file_is_named_as_cut_short(tmp_path, curve):
    path = damaged(tmp_path, curve, lambda raw: raw[: len(raw) * 2 // 3])
    with pytest.raises(FileError, match="cut short"):
        open_run(path)
    with pytest.raises(FileError, match="cut short"):
        verify(path)


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"", "is empty"), (b"time,current\n0,1\n", "is not a result file"), (b"\x00" * 4096, "is not a result file")],
)
def test_files_that_are_no_results_are_refused(tmp_path, content, words):
    path = tmp_path / "run.h5"
    path.write_bytes(content)
    with pytest.raises(FileError, match=words):
        open_run(path)


def test_foreign_missing_and_folder_paths_are_refused_with_a_cure(tmp_path, curve):
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["a"] = 1
    with pytest.raises(FileError, match="not a result ampsoak wrote"):
        open_run(tmp_path / "other.h5")
    write_curve(tmp_path / "curve.h5", curve)
    with pytest.raises(FileError, match=r'no such file; did you mean "curve\.h5"'):
        open_run(tmp_path / "curv.h5")
    with pytest.raises(FileError, match="is a folder"):
        open_run(tmp_path)


@pytest.mark.parametrize("version", ["1.1", "2.0", "10.0"])
def test_a_newer_format_is_refused_with_a_way_forward(tmp_path, curve, version):
    write_curve(tmp_path / "curve.h5", curve)
    with h5py.File(tmp_path / "curve.h5", "r+") as file:
        file.attrs["format_version"] = version
    with pytest.raises(FileError, match=f"is in format {version}.*install a newer ampsoak"):
        open_run(tmp_path / "curve.h5")


def test_a_missing_dataset_is_named(tmp_path, curve):
    write_curve(tmp_path / "curve.h5", curve)
    with h5py.File(tmp_path / "curve.h5", "r+") as file:
        del file["time_to_limit"]
    with pytest.raises(FileError, match="incomplete in 'time_to_limit'"):
        open_run(tmp_path / "curve.h5")


def test_a_file_locked_by_another_program_is_said_to_be_locked(tmp_path, curve):
    fcntl = pytest.importorskip("fcntl")
    write_curve(tmp_path / "curve.h5", curve)
    with (tmp_path / "curve.h5").open("r+b") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        with pytest.raises(FileError, match="another program has it open"):
            open_run(tmp_path / "curve.h5")
    assert open_run(tmp_path / "curve.h5").circuit == "ring"


def test_unreadable_rights_are_said(tmp_path, curve, monkeypatch):
    """Simulated, because the superuser may read anything."""
    write_curve(tmp_path / "curve.h5", curve)

    def refuse(*arguments, **keywords):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("ampsoak.runfile.read.h5py.File", refuse)
    with pytest.raises(FileError, match="no right to read it"):
        open_run(tmp_path / "curve.h5")
