"""The pages under load: bays that talk and advisors' pages that look on, against a real `hoodnote serve` in a process of its own.

    python -m tests.bench.bench_web [--bays 20] [--pages 50] [--seconds 120] [--every 20] [--cores 2]

Each bay streams 16 kHz sound in real time, as its page does: development voices over a shop's noise, one utterance about every
`--every` seconds (a technician beside a car reads a gauge, then works on), bays out of step with each other. Each advisor's page has the note of one of
the jobs open with its event stream, and fetches what changed whenever it is told. All of them are one paired device, the worst case
for the limits on requests. An answer's time runs from the last loud sample of an utterance, at the moment when a microphone hears it, to the message in the browser.
Server, its listeners and these clients share `--cores`; what the clients and the rest of the machine took of them is told.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import resource
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import numpy as np

from hoodnote.jobs.store import Store
from tests.bench.web_load import Bay, Page, sounds
from tests.web_serving import Server

_TICK = os.sysconf("SC_CLK_TCK")
_LOOK_S, _TELL_S = 5.0, 15.0
_SETTLE_S = 10.0            # in which the listeners load what they need later; nobody speaks in the first seconds of a job


@dataclass
class Usage:
    """Of the server and its listeners, over the time that somebody talks. Memory in MB, proportional (PSS)."""

    pid: int
    server_mb: list[float] = field(default_factory=list)
    listeners_mb: list[float] = field(default_factory=list)

    def processes(self) -> tuple[float, float]:
        """Seconds of processor: of the server, of its listeners."""
        return _cpu_s(self.pid), sum(map(_cpu_s, _children(self.pid)))

    def look(self) -> None:
        self.server_mb.append(_pss_mb(self.pid))
        self.listeners_mb.append(sum(map(_pss_mb, _children(self.pid))))


@dataclass
class Window:
    """Processor time between two moments, in cores."""

    usage: Usage

    def __post_init__(self) -> None:
        self._begun = self._all()

    def _all(self) -> np.ndarray:
        return np.array([time.monotonic(), *self.usage.processes(), time.process_time(), _machine_s()])

    def cores(self) -> dict[str, float]:
        seconds, *spent = self._all() - self._begun
        server, listeners, clients, machine = (s / seconds for s in spent)
        return {"server": server, "listeners": listeners, "these clients": clients, "others on the machine": max(0.0, machine - server - listeners - clients)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bays", type=int, default=20)
    parser.add_argument("--pages", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--every", type=float, default=20.0, help="seconds from one utterance of a bay to the next")
    parser.add_argument("--snr", type=float, default=25.0)
    parser.add_argument("--cores", type=int, default=2)
    args = parser.parse_args()
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, set(sorted(os.sched_getaffinity(0))[:args.cores]))
    made = sounds(args.bays, args.seconds, args.every, args.snr)
    speech = sum((s.last - s.first) / 16_000 for sound in made for s in sound.said)
    print(f"{sum(len(s.said) for s in made)} utterances, {speech / args.seconds:.1f} s of speech a second, {len(os.sched_getaffinity(0))} cores", flush=True)
    with tempfile.TemporaryDirectory(prefix="hoodnote-bench-") as folder:
        data = Path(folder) / "data"
        with Store.open(data) as store:
            jobs = [store.create_job(f"WO-{i + 1}").id for i in range(max(1, args.bays))]
        server = Server(data)
        server.start()
        try:
            server.wait_until_it_answers()
            bays = [Bay(server, job, sound) for job, sound in zip(jobs, made, strict=False)]
            took, refused, usage, cores = asyncio.run(_run(server, bays, jobs, args))
        finally:
            begun = time.monotonic()
            status = server.end()
        print(f"the server ended {time.monotonic() - begun:.1f} s after Ctrl-C, status {status}")
        print(server.log.read_text()[-2000:] if status else "", end="")
        with Store.open(data) as store:
            _report(store, bays, took, refused, usage, cores)


async def _run(server: Server, bays: list[Bay], jobs: list[int], args: argparse.Namespace) -> tuple[dict[str, list[float]], list[str], Usage, dict[str, float]]:
    took: dict[str, list[float]] = {}
    refused: list[str] = []
    usage, go = Usage(server.pid), asyncio.Event()
    async with httpx.AsyncClient(base_url=server.url, cookies=server.cookies, headers=server.headers, timeout=60,
                                 limits=httpx.Limits(max_connections=None), trust_env=False) as client:
        talking = [asyncio.create_task(bay.run(go)) for bay in bays]
        begun = time.monotonic()
        await asyncio.gather(*(bay.ready.wait() for bay in bays))
        print(f"the listeners were ready after {time.monotonic() - begun:.1f} s", flush=True)
        pages = [Page(client, jobs[i % len(jobs)], took, refused) for i in range(args.pages)]
        await asyncio.gather(*(page.load() for page in pages))
        first = took.get("page", [])
        if first:
            print(f"{len(pages)} pages opened at once: the first after {min(first):.1f} s, the last after {max(first):.1f} s", flush=True)
        looking = [asyncio.create_task(page.look()) for page in pages]
        await asyncio.sleep(_SETTLE_S)
        window = Window(usage)
        go.set()
        watch = asyncio.create_task(_watch(bays, usage, window))
        await asyncio.sleep(args.seconds)
        cores = window.cores()
        await asyncio.gather(*talking, return_exceptions=True)
        for task in (watch, *looking):
            task.cancel()
        await asyncio.gather(watch, *looking, return_exceptions=True)
    return took, refused, usage, cores


async def _watch(bays: list[Bay], usage: Usage, window: Window) -> None:
    begun, told = time.monotonic(), 0.0
    while True:
        usage.look()
        if (at := time.monotonic() - begun) >= told + _TELL_S:
            told = at
            cores = ", ".join(f"{name} {value:.2f}" for name, value in window.cores().items())
            print(f"  {at:4.0f} s: {sum(len(b.answers) for b in bays)} answers, {sum(b.waiting for b in bays)} clips waiting, "
                  f"{usage.server_mb[-1]:.0f} + {usage.listeners_mb[-1]:.0f} MB; cores: {cores}", flush=True)
        await asyncio.sleep(_LOOK_S)


def _report(store: Store, bays: list[Bay], took: dict[str, list[float]], refused: list[str], usage: Usage, cores: dict[str, float]) -> None:
    latencies, lost, twice, split, unheard, extra, unmatched = [], 0, 0, 0, 0, 0, 0
    for bay in bays:
        job = store.job_by_id(bay.job_id)
        clips = [c for c in store.captures(job) if c.medium == "clip"]
        told = [store.told(c) for c in clips]
        spans = [(t["from"], t["to"]) for t in told]
        twice += sum(b[0] < a[1] for a, b in zip(spans, spans[1:], strict=False))
        unheard += len(store.pending(job)) + len(store.failures(job))
        extra += sum(not any(a < s.last and b > s.first for s in bay.sound.said) for a, b in spans)
        in_order = len(bay.answers) == len(clips)             # answers come in the order of the clips
        unmatched += not in_order
        for said in bay.sound.said:
            mine = [i for i, (a, b) in enumerate(spans) if a < said.last and b > said.first]
            lost += not mine
            split += len(mine) > 1
            if mine and in_order:
                latencies.append(bay.answers[mine[-1]] - bay.begun - said.last / 16_000)
    count = sum(len(b.sound.said) for b in bays)
    print(f"\n{count} utterances: {lost} lost, {twice} kept twice, {split} in two clips, {extra} clips of noise; {unheard} clips not heard, "
          f"{unmatched} bays with another number of answers than clips, {sum(not b.stream.ended for b in bays)} streams not ended")
    print(f"{'':24}{'median':>9}{'95 %':>9}{'longest':>9}{'number':>9}")
    for name, values in (("last word to answer, s", latencies), *((f"{kind}, s", v) for kind, v in took.items())):
        if values:
            print(f"{name:24}{np.median(values):9.2f}{np.quantile(values, 0.95):9.2f}{max(values):9.2f}{len(values):9}")
    print("cores: " + ", ".join(f"{name} {value:.2f}" for name, value in cores.items()))
    for name, values in (("server", usage.server_mb), ("listeners", usage.listeners_mb)):
        print(f"memory of the {name}, MB: {values[0]:.0f} when the talking began, {values[len(values) // 2]:.0f} half-way, {values[-1]:.0f} at its end, "
              f"{max(values):.0f} at most")
    print(f"{len(refused)} requests refused{': ' if refused else ''}{'; '.join(sorted(set(refused))[:5])}; "
          f"{sum(b.late for b in bays)} chunks kept back; memory of these clients {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    for problem in sorted({p for b in bays for p in b.problems}):
        print(f"  told to {sum(problem in b.problems for b in bays)} bays: {problem}")


def _children(pid: int) -> list[int]:
    found = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in map(int, (task / "children").read_text().split()):
            found += [child, *_children(child)]
    return found


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICK


def _machine_s() -> float:
    """Busy seconds of all cores; what waits for a disk is idle."""
    user, nice, system, _, _, irq, soft, *_ = map(int, Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:])
    return (user + nice + system + irq + soft) / _TICK


def _pss_mb(pid: int) -> float:
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024


if __name__ == "__main__":
    main()
