"""The peers' side of scripts/compare: checks that both sides gave the same answer, and prints the ratios."""

import json
import pathlib
import platform
import re
import subprocess
import sys
import time

import numpy
import scipy
import scipy.signal

folder = pathlib.Path(sys.argv[1])
ours = json.loads((folder / "ours.json").read_text())
rows = []


def samples(name):
    return numpy.fromfile(folder / name, dtype="<f8")


def best(work, runs=5):
    """The shortest of several runs in seconds, and the last result."""
    shortest = float("inf")
    for _ in range(runs):
        start = time.perf_counter()
        result = work()
        shortest = min(shortest, time.perf_counter() - start)
    return shortest, result


def row(what, our_s, peer, peer_s, remark):
    rows.append((what, our_s, peer, peer_s, peer_s / our_s, remark))


def linear_path():
    clip, sections, taps = samples("clip.f64"), samples("sections.f64").reshape(-1, 6), samples("taps.f64")
    delay = int(samples("delay.f64")[0])
    # The very sections: side by side with the taps, as they stand in the plan.
    answer = scipy.signal.lfilter(taps, [1.0], clip)
    for section in sections:
        answer[delay:] += scipy.signal.sosfilt(section[None, :], clip)[: len(clip) - delay]
    off = numpy.abs(answer - samples("answer.f64")).max() / numpy.abs(answer).max()
    assert off < 1e-9, f"answers differ by {off}"
    # For time, scipy's best case: all sections in one call, one after the other, without the taps.
    peer_s, _ = best(lambda: scipy.signal.sosfilt(sections, clip), 3)
    times = ours["clip_s"] / ours["linear_s"]
    row(
        f"linear path, whole amp, {ours['clip_s']:.0f} s of sound",
        ours["linear_s"],
        f"scipy.signal.sosfilt, the same {len(sections)} sections",
        peer_s,
        f"{times:.0f} times real time; answers within {off:.0e}",
    )


def ngspice(deck, control):
    text = (folder / deck).read_text()
    text = re.sub(r"^\.end\s*$", f".control\n{control}\nquit 0\n.endc\n.end", text, flags=re.M)
    (folder / "run.cir").write_text(text)
    start = time.perf_counter()
    run = subprocess.run(["ngspice", "-n", "-b", "run.cir"], cwd=folder, capture_output=True, text=True)
    wall = time.perf_counter() - start
    # Its own account of the analysis, without start-up and reading.
    found = re.search(r"Total analysis time \(seconds\) = ([0-9.e+-]+)", run.stdout + run.stderr)
    return wall, float(found.group(1)) if found else None


def response():
    hz, gains = samples("frequencies.f64"), samples("gains.f64").view("<c16")
    ratio = (hz[-1] / hz[0]) ** (1 / (len(hz) - 1))
    each = 1 / numpy.log10(ratio)
    control = (
        f"set numdgt=16\nset wr_singlescale\nac dec {round(each)} {hz[0]} {hz[-1]}\n"
        "wrdata gains v(out)\nrusage totaltime\n"
    )
    walls = [ngspice("response.cir", control) for _ in range(3)]
    wall_s = min(w for w, _ in walls)
    table = numpy.loadtxt(folder / "gains")
    theirs = table[:, 1] + 1j * table[:, 2]
    # Another grid: compare level on ours by interpolation, which is good to a thousandth of a dB.
    level = lambda g: 20 * numpy.log10(numpy.abs(g))
    off = numpy.abs(numpy.interp(numpy.log(hz), numpy.log(table[:, 0]), level(theirs)) - level(gains)).max()
    assert off < 0.02, f"responses differ by {off} dB"
    row(
        f"operating point and response, power stage, {len(hz)} points",
        ours["response_s"],
        "ngspice .ac, whole run",
        wall_s,
        f"levels within {off:.4f} dB (of interpolation); a preset, input to speaker: "
        f"{1e3 * ours['preset_response_s']:.2f} ms",
    )


def sweep():
    answer, inverse = samples("sweep-answer.f64"), samples("sweep-inverse.f64")
    peer_s, _ = best(lambda: scipy.signal.fftconvolve(answer, inverse))
    row(
        "sweep of 2 s, from answer to response",
        ours["sweep_s"],
        "scipy.signal.fftconvolve with the inverse sweep",
        peer_s,
        "ours divides by the sweep's spectrum and checks that the answer has died away",
    )


def driven():
    seconds = ours["driven_signal_s"]
    wall_s, _ = ngspice("driven.cir", f"tran 20.8333u {seconds} 0 0.868u\n")
    row(
        f"driven path, two stages, {seconds} s",
        ours["driven_s"],
        "ngspice .tran, steps as in the reference tables",
        wall_s,
        f"{seconds / ours['driven_s']:.1f} times real time",
    )


for part in (linear_path, response, sweep, driven):
    part()

cpu = "unknown processor"
for line in pathlib.Path("/proc/cpuinfo").read_text().splitlines() if pathlib.Path("/proc/cpuinfo").exists() else []:
    if line.startswith("model name"):
        cpu = line.split(":", 1)[1].strip()
        break
version = subprocess.run(["ngspice", "--version"], capture_output=True, text=True).stdout
ngspice_version = (re.search(r"ngspice-([0-9.]+)", version) or [None, "?"])[1]
rust = subprocess.run(["rustc", "--version"], capture_output=True, text=True).stdout.split()[1]
lines = [
    f"One core of: {cpu}, {platform.system()}. rustc {rust}, Python {platform.python_version()}, "
    f"scipy {scipy.__version__}, ngspice {ngspice_version}. Shortest of several runs.",
    "",
    "| work | here | peer | peer's time | ratio | |",
    "|---|---|---|---|---|---|",
]
for what, our_s, peer, peer_s, ratio, remark in rows:
    shown = f"{ratio:.0f}" if ratio >= 10 else f"{ratio:.1f}"
    lines.append(f"| {what} | {1e3 * our_s:.2f} ms | {peer} | {1e3 * peer_s:.1f} ms | {shown} | {remark} |")
text = "\n".join(lines)
print(text)
if "--write" in sys.argv[2:]:
    page = pathlib.Path("docs/speed.md")
    head, _, rest = page.read_text().partition("<!-- compare -->")
    _, _, tail = rest.partition("<!-- end -->")
    page.write_text(f"{head}<!-- compare -->\n{text}\n<!-- end -->{tail}")
