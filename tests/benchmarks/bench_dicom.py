"""How long reading a DICOM folder takes and how much memory it holds, against stacking pydicom's arrays.

The folder is made here: 400 images of 512 × 512, uncompressed, noise over a limb-like disc, headers with
sequences and private fields as a scanner writes them. Both sides run in one process, one after the other in
turns, on a warm page cache; each side's memory is taken in a process of its own. Compressed copies are timed
too, without a rival. Run it alone: ``python tests/benchmarks/bench_dicom.py``.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np
import numpy.typing as npt
import pydicom

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from dicom_making import compress, write_slice

from segmentation.ct import load_ct

COUNT, SIZE, REPEATS = 400, 512, 7
COMPRESSED_COUNT = 40
MIB = 2**20
COMPRESSED = {
    "1.2.840.10008.1.2.4.70": "JPEG lossless",
    "1.2.840.10008.1.2.4.80": "JPEG-LS",
    "1.2.840.10008.1.2.4.90": "JPEG 2000",
    "1.2.840.10008.1.2.5": "RLE",
}


def make_series(folder: Path, count: int) -> None:
    """``count`` slices, each its own noise."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:SIZE, :SIZE] - SIZE / 2
    disc = np.where(np.hypot(x, y) < 0.35 * SIZE, 1064, 24)
    for k in range(count):
        values = np.clip(disc + rng.normal(0, 12, disc.shape), 0, 4095).astype(np.uint16)
        write_slice(folder / f"IM{k * 37 % count:04d}", values, (-100, -100, 0.6 * k), change=as_scanner)


def as_scanner(header: pydicom.Dataset) -> None:
    """Fields a scanner adds: a padding value, a sequence, a private block."""
    header.RescaleIntercept, header.BitsStored, header.HighBit = -1024, 12, 11
    header.PixelPaddingValue = 63536
    header.SeriesNumber, header.ConvolutionKernel = 3, "B30f"
    reference = pydicom.Dataset()
    reference.ReferencedSOPClassUID, reference.ReferencedSOPInstanceUID = "1.2.840.10008.5.1.4.1.1.2", "1.2.3"
    header.ReferencedImageSequence = pydicom.Sequence([reference])
    header["ReferencedImageSequence"].is_undefined_length = True
    block = header.private_block(0x0019, "A SCANNER", create=True)
    for element in range(40):
        block.add_new(element, "LO", "x" * (element % 30))


def naive_hu(folder: Path) -> npt.NDArray[np.float64]:
    """What a reader in ten lines does: every file whole, sorted by position, rescaled, stacked."""
    headers = [pydicom.dcmread(path) for path in folder.iterdir()]
    headers.sort(key=lambda header: float(header.ImagePositionPatient[2]))
    return np.stack(
        [one.pixel_array * float(one.RescaleSlope) + float(one.RescaleIntercept) for one in headers]
    )


def peak_mib(call: str, folder: Path) -> float:
    """Largest memory in MiB that the call adds to a process which has imported everything (Linux)."""
    own = [sys.path[0], str(Path(__file__).parent)]
    program = (
        f"import sys; sys.path[:0] = {own!r}\n"
        "from pathlib import Path; import bench_dicom as b; from segmentation import dicom\n"
        "def most(): return int(Path('/proc/self/status').read_text().split('VmHWM:')[1].split()[0])\n"
        f"before = most(); kept = b.{call}(Path({str(folder)!r})); print((most() - before) / 1024)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    return float(done.stdout)


def main() -> None:
    """Make the folders, take turns, print."""
    volume_mib = COUNT * SIZE * SIZE * 2 / MIB
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f};"
        f" Python {platform.python_version()}, pydicom {pydicom.__version__}"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "plain"
        folder.mkdir()
        make_series(folder, COUNT)
        np.testing.assert_array_equal(load_ct(folder).hu, naive_hu(folder).T)
        took_s: dict[str, list[float]] = {"naive": [], "own": []}
        for _ in range(REPEATS):
            for side, call in (("naive", naive_hu), ("own", load_ct)):
                began_s = time.perf_counter()
                call(folder)
                took_s[side].append(time.perf_counter() - began_s)
        naive_s, own_s = median(took_s["naive"]), median(took_s["own"])
        ratios = [naive / own for naive, own in zip(took_s["naive"], took_s["own"], strict=True)]
        print(f"{COUNT} × {SIZE} × {SIZE}, {volume_mib:.0f} MiB as int16, median of {REPEATS} turns")
        print(f"pydicom, stacked  {naive_s * 1000:6.0f} ms  {peak_mib('naive_hu', folder):6.0f} MiB")
        own_mib = peak_mib("load_ct", folder)
        print(
            f"load_ct           {own_s * 1000:6.0f} ms  {own_mib:6.0f} MiB,"
            f" {own_mib / volume_mib:.2f} volumes"
        )
        print(f"ratio {median(ratios):.1f} (turn by turn {min(ratios):.1f} to {max(ratios):.1f})")
        for syntax, told in COMPRESSED.items():
            packed = Path(name) / syntax
            packed.mkdir()
            make_series(packed, COMPRESSED_COUNT)
            compress(packed, syntax)
            began_s = time.perf_counter()
            load_ct(packed)
            print(f"{told:<17} {(time.perf_counter() - began_s) / COMPRESSED_COUNT * 1000:6.1f} ms a slice")


if __name__ == "__main__":
    main()
