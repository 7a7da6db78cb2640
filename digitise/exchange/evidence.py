"""Everything behind the numbers in one folder that proves itself, and the way back from it into a store.

A BagIt folder (`digitise.exchange.bag`): photographs as they came, flattened pages, a crop of every cell that the rule
did not settle, every reading and entry, the present state of every cell, and where it all comes from.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from digitise.exchange.bag import faults, seal
from digitise.exchange.content import Content
from digitise.exchange.fresh import fresh_beside
from digitise.exchange.package import write_csv_file, write_origin
from digitise.exchange.tables import Table, all_tables
from digitise.store import RULE, CellNow, PageRow
from digitise.store.thinning import kept_originals
from digitise.surveys.known_plan import FOLDER as PLANS

if TYPE_CHECKING:
    from digitise.store import Store

README = """Evidence behind a reef survey
=============================

{statement}

data/originals/    photographs as they came from the phone, named by SHA-256
data/pages/        the flattened pages that were read
data/crops/        every cell that the rule did not settle, as page-PAGE/CELL.png
data/store/        every row of the store as JSON lines: photos, pages, readings, entries, and the rest
data/earlier/      results of earlier years that were taken in, if any
data/plans/        the plans that the store keeps, which name its sites, if any
data/cells.csv     the present state of every cell, with who decided it, when and why
data/photos.csv    what became of each photograph
data/provenance.json

Check it:           digitise import FOLDER --dry-run
Take it in again:   digitise import FOLDER --store NEW-STORE
Without digitise:   sha256sum --check manifest-sha256.txt
"""


def write_evidence(store: Store, content: Content, folder: Path, *, tables: Sequence[Table] = ()) -> list[Path]:
    """Write the folder, which must be new or an older evidence folder; returns its files.

    `tables` are those of the content where they are made already.

    Raises
    ------
    ValueError
        The folder holds something else, a photograph is missing or was changed, or another export wrote its evidence
        there at the same moment.
    """
    if folder.exists() and any(folder.iterdir()) and not (folder / "bagit.txt").is_file():
        raise ValueError(f"{folder}: holds other files; choose a new folder for the evidence")
    with fresh_beside(folder) as fresh:
        _fill(store, content, fresh, tables)
        _put_in_place(fresh, folder)
    return sorted(p for p in folder.rglob("*") if p.is_file())


def _put_in_place(fresh: Path, folder: Path) -> None:
    """Let the new folder be `folder`, in place of an older one."""
    with fresh_beside(folder) as older:
        try:
            if folder.exists():
                folder.replace(older / "older")
            fresh.replace(folder)
        except OSError:
            if not folder.exists():
                with suppress(OSError):
                    (older / "older").replace(folder)
                raise
            raise ValueError(
                f"{folder}: another export wrote its evidence here at the same moment; that one is whole. Export "
                "again, or into another folder"
            ) from None


def _fill(store: Store, content: Content, fresh: Path, tables: Sequence[Table]) -> None:
    data = fresh / "data"
    data.mkdir()
    _pictures(store, content, data)
    _rows(store, data / "store")
    _copy_earlier(store.folder / "earlier", data / "earlier")
    _copy_plans(store.folder / PLANS, data / PLANS)
    write_state(content, data, tables)
    (data / "README.txt").write_text(README.format(statement=content.statement), encoding="utf-8")
    seal(fresh, bag_info(content))


def write_state(content: Content, data: Path, tables: Sequence[Table] = ()) -> None:
    """The present state of every cell, what became of each photograph, and where both come from."""
    named = {t.name: t for t in tables or all_tables(content)}
    for name, table in (("cells.csv", named["observations"]), ("photos.csv", named["photos"])):
        write_csv_file(data / name, [c.name for c in table.columns], table.rows)
    write_origin(content, data)


def bag_info(content: Content) -> dict[str, str]:
    """What the bag says of itself."""
    return {
        "Source-Organization": content.programme,
        "External-Description": f"{content.title}. {content.statement}",
        "Bagging-Date": content.origin.created_at[:10],
        "Bag-Software-Agent": f"digitise {content.origin.tool_version}",
        "External-Identifier": f"urn:sha256:{content.origin.digest}",
    }


def _pictures(store: Store, content: Content, data: Path) -> None:
    with store.database.read() as connection:
        kept = kept_originals(connection)
    for photo in kept:
        path = data / "originals" / photo.file
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(store.original(photo.sha256))
    (data / "pages").mkdir()
    for source in sorted((store.folder / "pages").glob("*.jpg")):
        shutil.copyfile(source, data / "pages" / source.name)
    write_crops(store, ((page, cell) for page, cell in content.cells if cell.by != RULE), data / "crops")


def write_crops(store: Store, cells: Iterable[tuple[PageRow, CellNow]], folder: Path) -> None:
    """A picture of each cell, as ``page-PAGE/CELL.png``; none of a sheet keyed by hand: its place is not known."""
    for page, cell in (one for one in cells if not one[0].keyed):
        path = folder / f"page-{page.id}" / f"{re.sub(r'[^0-9A-Za-z.-]', '_', cell.cell)}.png"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(store.crop(page.id, cell.cell))


def _rows(store: Store, folder: Path) -> None:
    from digitise.store.dump import TABLES, dumped

    folder.mkdir()
    for name in TABLES:
        with (folder / f"{name}.jsonl").open("w", encoding="utf-8", newline="\n") as out:
            out.writelines(f"{line}\n" for line in dumped(store, name))


def verify(folder: Path) -> list[str]:
    """Everything wrong with an evidence folder, in words; empty when it is whole and every photograph its own."""
    found = faults(folder)
    if found:
        return found
    sealed = set((folder / "manifest-sha256.txt").read_text(encoding="utf-8").splitlines())
    originals = sorted(p for p in (folder / "data" / "originals").rglob("*") if p.is_file())
    names = {p.relative_to(folder).as_posix(): p.stem for p in originals}
    return [
        f"{name}: its content is not the photograph that its name says"
        for name, digest in names.items()
        if f"{digest}  {name}" not in sealed
    ]


def take_in(folder: Path, target: Path, *, now: datetime) -> Store:
    """A new store in `target` with everything that the evidence holds; it is open, and equal to the one it came from.

    Raises
    ------
    ValueError
        The evidence is not whole, or `target` holds something already; nothing is left behind then.
    """
    from digitise.provenance import Origins, in_turn
    from digitise.store import Store
    from digitise.store.dump import TABLES, load
    from digitise.surveys.survey import iter_surveys

    wrong = verify(folder)
    if wrong:
        more = f" (and {len(wrong) - 1} more; --dry-run lists them)" if len(wrong) > 1 else ""
        raise ValueError(f"{folder}: not taken in: {wrong[0]}{more}")
    if not (folder / "data" / "store").is_dir():
        raise ValueError(f"{folder}: evidence made for sharing, without the store's rows; no store can be made from it")
    if target.exists() and any(target.iterdir()):
        raise ValueError(f"{target}: holds files already; name a new folder with --store")
    with fresh_beside(target) as fresh:
        with Store.open(fresh) as store:
            load(store, {name: _lines(folder / "data" / "store" / f"{name}.jsonl") for name in TABLES})
            _copy_pictures(folder / "data", fresh, store)
            _copy_earlier(folder / "data" / "earlier", fresh / "earlier")
            _copy_plans(folder / "data" / PLANS, fresh / PLANS)
            said = json.loads((folder / "data" / "provenance.json").read_text(encoding="utf-8"))
            origins = Origins()
            for survey in iter_surveys(store, sorted(store.packs(), key=in_turn)):
                origins.add(survey)
            digest = origins.record((), now=now).digest
        if digest != said.get("digest"):
            raise ValueError(f"{folder}: not taken in: its rows do not give the data that it says it holds")
        try:
            if target.exists():
                target.rmdir()
            fresh.replace(target)
        except OSError:
            if not target.exists():
                raise
            raise ValueError(f"{target}: was filled by another program meanwhile; name a new folder") from None
    return Store.open(target)


def _copy_earlier(source: Path, target: Path) -> None:
    """Kept results of earlier years, each read once to see that it is one."""
    from digitise.earlier.keep import read_kept

    for path in sorted(source.glob("*.json")):
        read_kept(path)
        target.mkdir(exist_ok=True)
        shutil.copyfile(path, target / path.name)


def _copy_plans(source: Path, target: Path) -> None:
    """Kept plans as they are: results have sites by the names and groups that these give them."""
    for path in sorted(source.glob("*.yaml")):
        target.mkdir(exist_ok=True)
        shutil.copyfile(path, target / path.name)


def _lines(path: Path) -> Iterator[str]:
    if path.is_file():
        with path.open(encoding="utf-8", newline="\n") as lines:
            yield from lines


def _copy_pictures(data: Path, target: Path, store: Store) -> None:
    """Photographs and pages that the rows speak of, and no other file."""
    from sqlalchemy import select

    from digitise.store.files import write_once
    from digitise.store.schema import pages

    thinned = store.thinned.all()
    for photo in (p for p in store.photos() if p.sha256 not in thinned):
        found = next((data / "originals" / photo.sha256[:2]).glob(f"{photo.sha256}.*"), None)
        if found is None:
            raise ValueError(f"{photo.name}: the evidence holds no such photograph")
        store.originals.write(f"{photo.sha256[:2]}/{found.name}", found.read_bytes())
    with store.database.read() as connection:
        images = connection.execute(select(pages.c.image)).scalars().all()
    for image in images:
        if not (data / "pages" / image).is_file():
            raise ValueError(f"{image}: the evidence holds no such page")
        write_once(target / "pages" / image, (data / "pages" / image).read_bytes(), incoming=target / "incoming")
