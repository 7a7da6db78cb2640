"""Backups of a store, made while it is in use, and a store made from one.

A backup is a folder that is itself a store on SQLite, whatever database it came from: rows of one moment, the files
that they name, what lies beside them (`digitise.store.beside`), and ``backup.json`` with the head of the audit trail.
A backup into the same folder again adds only what is new. A restored store is checked at once; what the backup lacks is
said, and everything it has is brought back. A backup may be a stranger's: files are taken from it under no other name
than the store itself would give them, and no links.
"""

from __future__ import annotations

import errno
import hashlib
import json
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path

from sqlalchemy import Connection, func, insert, inspect, select, text

from digitise import __version__
from digitise.batch.remote import RemoteError
from digitise.store import beside, chain, counts, migrate
from digitise.store import schema as t
from digitise.store.beside import RECORD
from digitise.store.engine import DATABASE, Database, postgresql_database, sqlite_database, wanted_database
from digitise.store.files import is_original, is_page, sweep, write_once
from digitise.store.opening import FOLDERS, mark, store_name
from digitise.store.originals import ORIGINALS, FolderOriginals, Originals, claim, wanted_bucket
from digitise.store.rows import StoreError
from digitise.store.store import Store
from digitise.store.thinning import kept_originals
from digitise.store.verify import Report, verify

_ROWS_AT_ONCE = 500
Tick = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Backup:
    """What a backup holds, as in ``backup.json``; `copied` files are new in it, `problems` could not be copied.

    `files` are those beside the rows, with their SHA-256.
    """

    store: str
    tool_version: str
    made_at: str
    links: int
    head: str
    photos: int
    copied: int
    problems: tuple[str, ...]
    files: dict[str, str]


def backup(store: Store, out: Path, *, now: datetime, tick: Tick = lambda total: None) -> Backup:
    """Back a store up into the folder `out`; `tick` is called for each file with the number of files.

    Raises
    ------
    StoreError
        `out` is no backup of this store, holds work that this store does not have, or cannot be written in.
    """
    _check_target(store, out)
    with _no_empty_folders(out):
        return _backup(store, out, now=now, tick=tick)


@contextmanager
def _no_empty_folders(out: Path) -> Iterator[None]:
    """Where nothing came of it, no folder is left that was not there before and holds nothing."""
    parts = [out / part for part in (*FOLDERS, beside.HELD)]
    new = [folder for folder in (*parts, out, *out.parents) if not folder.exists()]
    try:
        yield
    except BaseException:
        for folder in new:
            with suppress(OSError):
                folder.rmdir()
        raise


def _backup(store: Store, out: Path, *, now: datetime, tick: Tick) -> Backup:
    try:
        for part in (*FOLDERS, beside.HELD):
            (out / part).mkdir(parents=True, exist_ok=True)
        sweep(out / "incoming")
        with tempfile.TemporaryDirectory(prefix="part-", dir=out / "incoming") as folder:
            head, files = _snapshot(store.database, Path(folder), now=now)
            held = FolderOriginals(out)
            copied, problems = _copy_files(partial(_fetched, store, held), out, held, files, tick)
            lying, more, troubles = beside.copy_out(store.folder, out)
            for log in out.glob(f"{DATABASE}-*"):  # of a backup that somebody opened; it belongs to the old file
                log.unlink()
            (Path(folder) / DATABASE).replace(out / DATABASE)
        made = Backup(
            *(store_name(store.database), __version__, chain.stamp(now), head.length, head.hash),
            photos=sum(name.startswith(ORIGINALS) for name in files),
            copied=copied + more,
            problems=(*problems, *troubles),
            files=lying,
        )
        _write_record(out, made)
    except OSError as error:
        raise StoreError(
            f"{out}: the backup could not be written ({error.strerror}); nothing in the store changed"
        ) from None
    return made


def _write_record(out: Path, made: Backup) -> None:
    with tempfile.NamedTemporaryFile(
        "w", prefix="part-", dir=out / "incoming", delete=False, encoding="utf-8"
    ) as record:
        json.dump(asdict(made), record, indent=1)
    Path(record.name).replace(out / RECORD)


def _check_target(store: Store, out: Path) -> None:
    inner, outer = out.resolve(), store.folder.resolve()
    if inner == outer or outer in inner.parents or inner in outer.parents:
        raise StoreError(f"{out}: a backup cannot lie in the store or around it; name a folder elsewhere")
    if not out.exists() or not any(out.iterdir()):
        return
    if not (out / DATABASE).is_file():
        if {p.name for p in out.iterdir()} <= {*FOLDERS, beside.HELD}:
            return  # a backup that was interrupted before its first end
        raise StoreError(f"{out}: is neither empty nor a backup; name another folder")
    database = sqlite_database(out)
    try:
        with database.read() as connection:
            migrate.revision(connection)
            name = connection.execute(select(t.about.c.value).filter_by(key="store")).scalar()
            head = chain.head(connection)
    except (StoreError, ValueError) as error:
        raise StoreError(f"{out}: cannot be used as a backup ({error}); name another folder") from None
    finally:
        database.close()
    with store.database.read() as connection:
        ours = connection.execute(select(t.links.c.hash).filter_by(id=head.length)).scalar()
    if name != store_name(store.database):
        raise StoreError(f"{out}: is a backup of another store; name another folder")
    if head.length and ours != head.hash:
        raise StoreError(
            f"{out}: holds entries that this store does not have, so it was left as it is; name another folder"
        )


def _snapshot(database: Database, folder: Path, *, now: datetime) -> tuple[chain.Head, dict[str, str | None]]:
    """Rows of one moment in a new SQLite file; (head, files that they name with their SHA-256)."""
    with _new_tables(sqlite_database(folder), now=now) as target, database.read() as source:
        copy_rows(source, target)
        counts.rebuild(target)
        head = chain.head(source)
        files = {ORIGINALS + r.file: r.sha256 for r in kept_originals(source)}
        files |= {f"pages/{r.image}": r.image_sha256 for r in source.execute(select(t.pages))}
    return head, files


@contextmanager
def _new_tables(database: Database, *, now: datetime) -> Iterator[Connection]:
    """A transaction in which a database has all tables and not one row; the database is closed afterwards."""
    try:
        with database.write() as connection:
            migrate.move(connection, t.REVISION, now=now)
            yield connection
    finally:
        database.close()


def copy_rows(source: Connection, target: Connection) -> None:
    """Every row of the history from one database into another that has none."""
    for table in t.HISTORY:
        key = next(iter(table.primary_key.columns))
        rows = source.execute(select(table).order_by(key).execution_options(yield_per=_ROWS_AT_ONCE))
        for some in rows.partitions():
            target.execute(insert(table), [dict(row._mapping) for row in some])
        if target.dialect.name == "postgresql" and key.name == "id" and table is not t.links:
            last = select(func.max(key)).scalar_subquery()
            target.execute(select(func.setval(text(f"pg_get_serial_sequence('{table.name}', 'id')"), last)))


def _fetched(store: Store, held: FolderOriginals, name: str, sha256: str | None) -> bytes:
    """A file of the store; an original that the backup holds whole already is not fetched from a bucket again."""
    if store.originals.far and name.startswith(ORIGINALS):
        with suppress(OSError):
            data = held.read(name.removeprefix(ORIGINALS))
            if hashlib.sha256(data).hexdigest() == sha256:
                return data
    try:
        return store.file(name)
    except RemoteError as error:
        if error.missing:
            raise
        raise StoreError(f"the backup could not be made: {error}; nothing in the store changed") from None


def _of_backup(source: Path, name: str, _sha256: str | None) -> bytes:
    path = source / name
    if path.is_symlink() or not path.resolve().is_relative_to(source.resolve()):
        raise OSError(errno.ELOOP, "is a link; expected a file")
    return path.read_bytes()


def _copy_files(
    fetch: Callable[[str, str | None], bytes],
    out: Path,
    originals: Originals,
    files: dict[str, str | None],
    tick: Tick,
) -> tuple[int, list[str]]:
    """Put files that are as their SHA-256 says, where one is given, into `out` and `originals`."""
    copied, problems = 0, []
    for name, sha256 in files.items():
        tick(len(files))
        try:
            data = fetch(name, sha256)
        except OSError as error:
            problems.append(f"{name}: could not be read ({error.strerror})")
            continue
        if sha256 is not None and hashlib.sha256(data).hexdigest() != sha256:
            problems.append(f"{name}: was changed since it was kept, so it was not copied")
            continue
        target = out / name
        if originals.far and name.startswith(ORIGINALS):
            originals.write(name.removeprefix(ORIGINALS), data)
        elif not target.is_file() or target.stat().st_size != len(data):
            write_once(target, data, incoming=out / "incoming")
            copied += 1
    return copied, problems


def restore(
    source: Path, folder: Path, *, now: datetime, database: str | None = None, tick: Tick = lambda total: None
) -> Report:
    """Make a store in `folder` from a backup, on SQLite or in the empty database that `DIGITISE_STORE` names.

    Its photographs go into the folder, or into the bucket that `DIGITISE_ORIGINALS` names.

    Raises
    ------
    StoreError
        `source` is no backup or is damaged, or `folder` or the database holds something: nothing is written over.
    """
    if not (source / DATABASE).is_file() or (source / DATABASE).is_symlink():
        raise StoreError(f"{source}: is no backup: there is no {DATABASE} in it, or only a link")
    if not (source / DATABASE).stat().st_size:
        raise StoreError(f"{source / DATABASE}: is empty, so nothing of the backup can be known; restore another one")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise StoreError(f"{folder}: is there already and not empty; restore into a new folder")
    url = database or wanted_database()
    folder.parent.mkdir(parents=True, exist_ok=True)
    around = Path(tempfile.mkdtemp(prefix=f".{folder.name}-restoring-", dir=folder.parent))
    try:
        making = around / "store"  # with the rights that any new folder of this person has
        making.mkdir()
        head, problems, notes = _fill(making, source, url, now=now, tick=tick)
        making.replace(folder)
    except sqlite3.DatabaseError as error:
        raise StoreError(f"{source / DATABASE}: is damaged ({error}); restore another backup") from None
    finally:
        shutil.rmtree(around, ignore_errors=True)
    with Store.open(folder, database=url, now=now) as restored:
        report = verify(restored, head=head or None)
    return replace(report, problems=(*problems, *report.problems), notes=(*notes, *report.notes))


def _fill(
    making: Path, source: Path, url: str | None, *, now: datetime, tick: Tick
) -> tuple[str, list[str], list[str]]:
    """Everything of a backup put into a new folder, or its rows into a database; as from `beside.bring_back`."""
    for part in (DATABASE, f"{DATABASE}-wal"):  # beside a backup that somebody opened there may be a log
        if (source / part).is_file():
            shutil.copyfile(source / part, making / part)
    for part in FOLDERS:
        (making / part).mkdir()
    kept = Store(making, sqlite_database(making))
    try:
        migrate.prepare(kept.database, now=now)
        bucket = wanted_bucket()
        originals = claim(making, bucket, kept.name) if bucket else kept.originals
        _copy_files(partial(_of_backup, source), making, originals, _named(kept.database, checked=originals.far), tick)
        brought = beside.bring_back(source, making)
        if url:  # last of all: a database that was filled cannot be emptied again
            _into_postgresql(kept.database, url, making, now=now)
        else:
            with kept.database.write() as connection:
                counts.rebuild(connection)
    finally:
        kept.close()
    if url:
        for part in making.glob(f"{DATABASE}*"):
            part.unlink()
    return brought


def _named(database: Database, *, checked: bool) -> dict[str, str | None]:
    """Files that the rows name; whatever state they are in, they are brought back, and the check tells.

    Only originals that shall go where nothing is ever written over are `checked` before.
    """
    with database.read() as connection:
        photos, pages = kept_originals(connection), connection.execute(select(t.pages.c.image)).scalars().all()
    strange = [r.file for r in photos if not is_original(r.sha256, r.file)] + [n for n in pages if not is_page(n)]
    if strange:
        raise StoreError(f"the backup names a file '{strange[0][:80]}', as no store does; nothing was restored")
    return {ORIGINALS + r.file: r.sha256 if checked else None for r in photos} | dict.fromkeys(
        (f"pages/{name}" for name in pages), None
    )


def _into_postgresql(source: Database, url: str, folder: Path, *, now: datetime) -> None:
    target = postgresql_database(url)
    with target.read() as connection:
        taken = inspect(connection).get_table_names()
    if taken:
        target.close()
        raise StoreError(f"{target.name}: holds tables already; restore into an empty database")
    with _new_tables(target, now=now) as rows, source.read() as connection:
        copy_rows(connection, rows)
        counts.rebuild(rows)
    mark(folder, store_name(source))
