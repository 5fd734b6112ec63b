"""`hoodnote demo`: a whole invented job through the real listeners and readers, from the synthetic recordings and photos that ship."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.demo.script import Item, read_script
from hoodnote.errors import HoodnoteError
from hoodnote.resources import folder

if TYPE_CHECKING:
    from hoodnote.intake.record import Taken
    from hoodnote.jobs.store import Job, Store

_FORMATS = ("html", "md", "txt", "json")


def run(data_dir: Path, tell: Callable[[Taken, Job], Iterable[str]]) -> None:
    """Keep the job under `data_dir`, print what is heard and seen in the lines of `tell`, and write the note in every format.

    Raises HoodnoteError when `data_dir` holds the demo's job already.
    """
    from hoodnote.capture.speech.engines import best_three
    from hoodnote.intake.hear import hear_clip
    from hoodnote.intake.see import see_photo
    from hoodnote.intake.typed import state, type_text
    from hoodnote.jobs.store import Store
    from hoodnote.statements.model import Fact

    script = read_script(folder("sample_media"))
    began = time.monotonic()
    with Store.open(data_dir) as store:
        job = store.create_job(script.work_order, script.units)
        print(f"Job {job.work_order}: an invented vehicle and shop, synthetic voices, rendered photos.\n")
        state(store, job, [Fact(key, value) for key, value in script.facts], "; ".join(f"{k}: {v}" for k, v in script.facts))
        for text in script.typed:
            type_text(store, job, text)
        engines = best_three(None)
        print(f"Listeners: {', '.join(e.name for e in engines)}.\n")
        heard_exactly = spoken = 0
        for number, item in enumerate(script.items, start=1):
            print(f"[{number:2}/{len(script.items)}] {_headline(item)}", flush=True)
            if item.kind == "clip":
                taken = hear_clip(store, job, item.path, engines)
                spoken += 1
                heard_exactly += all(account.text == item.said for account in taken.accounts)
            elif item.kind == "photo":
                taken = see_photo(store, job, item.path)
            else:
                taken = type_text(store, job, item.said)
            for line in tell(taken, job):
                print(f"        {line}", flush=True)
        print(f"\n{heard_exactly} of {spoken} clips were heard word for word by every listener.")
        _write_notes(store, job, data_dir)
    print(f"\nDone in {time.monotonic() - began:.0f} s. See the open questions with:  hoodnote --data {data_dir} ask {script.work_order}")


def _headline(item: Item) -> str:
    match item.kind:
        case "clip":
            return f'{item.path.name}, spoken "{item.said}"'
        case "photo":
            return f"{item.path.name}, a label"
    return f'typed "{item.said}"'


def _write_notes(store: Store, job: Job, data_dir: Path) -> None:
    from hoodnote.note.compose import compose
    from hoodnote.note.render import render

    note = compose(store, job)
    print("\nThe note:")
    for kind in _FORMATS:
        path = data_dir / f"note.{kind}"
        try:
            path.write_text(render(note, kind), encoding="utf-8")
        except OSError as problem:
            raise HoodnoteError(f"the note cannot be written to {path} ({problem.strerror}); free some space or name another folder with --keep") from problem
        print(f"  {path}")
