"""What a file may not do: lead to other files, run as a program, or unpack to more than fits."""

import os
import pickle
import struct
import zipfile
import zlib

import h5py
import numpy as np
import pytest
from scipy.io import savemat

from decussa.model.errors import RecordingError
from decussa.recording import array_file, mat5_check
from decussa.recording.hdf5_claims import TextClaims
from decussa.recording.hdf5_file import open_hdf5
from decussa.recording.read import read
from tests.recording.foreign import make_session, write_hdf5, write_mat5, write_mat73, write_xdf

SESSION = make_session(6, n_stimuli=3)


@pytest.fixture
def trap(tmp_path):
    """A pipe nobody writes to: whoever opened it would wait for ever."""
    place = tmp_path / "elsewhere.h5"
    os.mkfifo(place)
    return place


def test_a_link_to_another_file_is_refused_without_opening_it(tmp_path, trap):
    path = write_hdf5(tmp_path / "a.h5", SESSION)
    with h5py.File(path, "a") as file:
        file["recording/outside"] = h5py.ExternalLink(str(trap), "/emg")

    with pytest.raises(RecordingError, match=r"leads to another file.*recording/outside"):
        read(path)


def test_numbers_kept_in_another_file_are_refused_without_opening_it(tmp_path, trap):
    path = write_hdf5(tmp_path / "a.h5", SESSION)
    with h5py.File(path, "a") as file:
        file.create_dataset("recording/APB", (1000,), dtype="f8", external=[(str(trap), 0, 8000)])

    with pytest.raises(RecordingError, match=r"leads to another file.*recording/APB"):
        read(path)


def test_a_data_set_made_up_of_other_files_is_refused_without_opening_them(tmp_path, trap):
    path = write_hdf5(tmp_path / "a.h5", SESSION)
    layout = h5py.VirtualLayout((1000,), "f8")
    layout[:] = h5py.VirtualSource(str(trap), "emg", (1000,))
    with h5py.File(path, "a") as file:
        file.create_virtual_dataset("recording/APB", layout)

    with pytest.raises(RecordingError, match=r"leads to another file.*recording/APB"):
        read(path)


def test_a_link_within_the_file_is_harmless_even_in_a_circle(tmp_path):
    path = write_hdf5(tmp_path / "a.h5", SESSION)
    with h5py.File(path, "a") as file:
        file["again"] = h5py.SoftLink("/recording")
        file["recording/up"] = h5py.SoftLink("/")
        file["recording/round"] = file["/"]

    assert len(read(path).events) == 3


def test_a_filter_that_needs_a_plug_in_is_refused(tmp_path):
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        properties = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
        properties.set_chunk((100,))
        properties.set_filter(305, h5py.h5z.FLAG_OPTIONAL)
        h5py.h5d.create(file.id, b"emg", h5py.h5t.IEEE_F64LE, h5py.h5s.create_simple((1000,)), properties)

    with pytest.raises(RecordingError, match=r"packed by a plug-in.*filter 305"):
        read(path)


def test_an_array_that_promises_more_than_the_file_holds_is_refused(tmp_path):
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("emg", (2, 10**12), dtype="f8", chunks=(1, 1000), compression="gzip")
        file["emg"][:, :5000] = np.random.default_rng(0).normal(0, 10, (2, 5000))
        file["emg"].attrs.update({"fs": 2000.0, "unit": "uV"})

    with pytest.raises(RecordingError, match=r"emg promises more than the file holds"):
        read(path)


def test_names_that_are_no_text_are_refused(tmp_path):
    path = write_hdf5(tmp_path / "a.h5", SESSION)
    path.write_bytes(path.read_bytes().replace(b"stimuli\0", b"st\xffmuli\0"))

    with pytest.raises(RecordingError, match="expected names that are text"):
        read(path)


def test_damage_that_the_library_finds_is_said_in_one_sentence(tmp_path):
    path = write_hdf5(tmp_path / "a.h5", SESSION)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])

    with pytest.raises(RecordingError, match="HDF5 file is damaged"), open_hdf5(path):
        pass


def test_python_objects_in_numpy_files_are_never_unpacked(tmp_path):
    class Trap:
        def __reduce__(self):
            return (os.mkdir, (str(tmp_path / "ran"),))

    array = np.array([Trap()], dtype=object)
    np.save(tmp_path / "a.npy", array, allow_pickle=True)
    np.savez(tmp_path / "a.npz", emg=SESSION.samples_uv, labels=array)
    (tmp_path / "a.pkl").write_bytes(pickle.dumps(Trap()))

    for name in ("a.npy", "a.npz"):
        with pytest.raises(RecordingError, match="holds Python objects"):
            read(tmp_path / name)
    with pytest.raises(RecordingError):
        read(tmp_path / "a.pkl")
    assert not (tmp_path / "ran").exists()


def test_an_archive_that_unpacks_to_more_than_fits_is_refused_before_unpacking(tmp_path, monkeypatch):
    np.savez_compressed(tmp_path / "a.npz", emg=np.zeros((1000, 1000)))
    assert (tmp_path / "a.npz").stat().st_size < 100_000
    monkeypatch.setattr(array_file, "HELD_BYTES", 1_000_000)

    with pytest.raises(RecordingError, match=r"too large to be held in memory.*up to 0 MB; found 8 MB"):
        read(tmp_path / "a.npz")


def test_an_array_that_is_cut_short_in_its_archive_is_refused(tmp_path):
    np.savez(tmp_path / "good.npz", emg=SESSION.samples_uv)
    with zipfile.ZipFile(tmp_path / "good.npz") as good, zipfile.ZipFile(tmp_path / "a.npz", "w") as bad:
        content = good.read("emg.npy")
        bad.writestr("emg.npy", content[:5000])

    with pytest.raises(RecordingError, match="does not fit its header"):
        read(tmp_path / "a.npz")


def test_a_mat_file_that_unpacks_to_more_than_fits_is_refused_while_unpacking(tmp_path, monkeypatch):
    savemat(tmp_path / "a.mat", {"emg": np.zeros((1000, 1000))}, do_compression=True)
    assert (tmp_path / "a.mat").stat().st_size < 100_000
    monkeypatch.setattr(mat5_check, "HELD_BYTES", 1_000_000)

    with pytest.raises(RecordingError, match="too large to be held in memory"):
        read(tmp_path / "a.mat")


def mat5_matrix(kind: int, rest: bytes) -> bytes:
    """One element of a MAT file of version 5 by the published format: flags of a class, dimensions 1 x 1, name f."""
    body = struct.pack("<IIII", 6, 8, kind, 0) + struct.pack("<IIii", 5, 8, 1, 1) + b"\x01\x00\x01\x00f\0\0\0" + rest
    return struct.pack("<II", 14, len(body)) + body


@pytest.mark.parametrize(("kind", "what"), [(3, "an object"), (16, "a function handle"), (17, "an object")])
@pytest.mark.parametrize("packed", [False, True])
def test_objects_and_functions_in_mat_files_are_refused(tmp_path, kind, what, packed):
    path = write_mat5(tmp_path / "a.mat", SESSION, cut=True)
    element = mat5_matrix(kind, b"")
    if packed:
        inside = zlib.compress(element)
        element = struct.pack("<II", 15, len(inside)) + inside
    path.write_bytes(path.read_bytes() + element)

    with pytest.raises(RecordingError, match=f"MAT file holds {what}"):
        read(path)


def test_a_function_inside_a_struct_is_refused_too(tmp_path):
    path = write_mat5(tmp_path / "a.mat", SESSION, cut=True)
    inner = mat5_matrix(16, b"")
    struct_body = struct.pack("<I", 4 << 16 | 5) + struct.pack("<I", 8) + struct.pack("<II", 1, 8) + b"callback" + inner
    path.write_bytes(path.read_bytes() + mat5_matrix(2, struct_body))

    with pytest.raises(RecordingError, match="MAT file holds a function handle"):
        read(path)


def test_objects_in_mat_73_are_refused(tmp_path):
    path = write_mat73(tmp_path / "a.mat", SESSION)
    with h5py.File(path, "a") as file:
        made = file.create_dataset("when", data=np.zeros((1, 6), dtype=np.uint32))
        made.attrs["MATLAB_class"] = np.bytes_("datetime")
        made.attrs["MATLAB_object_decode"] = np.int32(3)

    with pytest.raises(RecordingError, match=r"holds an object or a function handle.*when of class datetime"):
        read(path)


def test_xml_that_could_grow_is_refused_in_xdf(tmp_path):
    path = write_xdf(tmp_path / "a.xdf", SESSION)
    content = path.read_bytes().replace(
        b'<?xml version="1.0"?><info><version>1.0</version></info>',
        b'<!DOCTYPE a [<!ENTITY b "bbbb">]><info>&b;&b;&b;</info>  '[:56],
    )
    path.write_bytes(content)

    with pytest.raises(RecordingError, match="file header that is no plain XML"):
        read(path)


def test_a_heap_of_texts_that_does_not_go_on_is_refused_before_the_library_follows_it_for_ever(tmp_path):
    # HDF5 file format specification, version 3.0, section III.E: objects of a global heap collection follow each other.
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file.attrs["unit"] = "uV"
        file["emg"] = np.zeros(3)
    content = bytearray(path.read_bytes())
    heap = content.index(b"GCOL")
    assert content[heap + 16] == 1  # the first object
    content[heap + 16] = 0  # now free room
    content[heap + 24 : heap + 32] = bytes(8)  # that takes none
    path.write_bytes(content)

    with pytest.raises(RecordingError, match="texts that follow each other"):
        read(path)


@pytest.mark.parametrize("version", ["earliest", "latest"])
@pytest.mark.parametrize("block", [0, 512])
@pytest.mark.parametrize("place", ["beside the file", "beside a data set", "data set", "pieces", "table"])
def test_a_text_that_claims_to_be_longer_than_the_file_is_refused_before_room_is_made_for_it(
    tmp_path, place, block, version
):
    # HDF5 file format specification, version 3.0, section III.E: length of a text, address of its heap, number in the heap.
    path, text = tmp_path / "a.h5", h5py.string_dtype()
    with h5py.File(path, "w", userblock_size=block, libver=version) as file:
        emg = file.create_dataset("emg", data=np.ones((3, 100)))
        emg.attrs["rate_hz"], emg.attrs["unit"] = 1000.0, "a unit" if place == "beside a data set" else "uV"
        file.attrs["names"] = ["FDI", "a name" if place == "beside the file" else "APB"]
        file.create_dataset("whole", data=["words", "a part" if place == "data set" else "part"], dtype=text)
        file.create_dataset("pieces", data=["words", "a bit!" if place == "pieces" else "bit"], dtype=text, chunks=(1,))
        rows = [("w", 1, "words"), ("v", 2, "a cell" if place == "table" else "cell")]
        file.create_dataset("table", data=np.array(rows, dtype=[("w", text), ("n", "i4"), ("t", text)]))
        header = h5py.h5o.get_info((file if place == "beside the file" else emg).id).addr
    content = bytearray(path.read_bytes())
    heap = content.index(b"GCOL") - block
    # The one text of six letters: its length, then the address of the heap.
    claim = content.index((6).to_bytes(4, "little") + heap.to_bytes(8, "little"))
    content[claim : claim + 4] = (3_000_000_000).to_bytes(4, "little")
    path.write_bytes(content)

    if place.startswith("beside") and version == "latest":
        # The library refuses a header whose checksum is wrong; where somebody makes it right, the claim is still seen.
        with TextClaims(path, block) as claims, pytest.raises(RecordingError, match="texts no longer than the file's"):
            claims.check_attributes("a part", header)
    else:
        with pytest.raises(RecordingError, match="texts no longer than the file's"):
            read(path)
