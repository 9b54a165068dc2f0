"""What becomes of a store file that is older, newer, damaged, in use, or made by someone else."""

import lzma
import random
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from drift.errors import DriftError, StoreError
from drift.store import opening
from drift.store.form import FORM_SHA256, OLDER, SCHEMA_VERSION, digest_of, form_of
from drift.store.loading import take_folder
from drift.store.opening import open_store
from tests.csv_folders import HEADER, counts, load, read, readings, write

REFERENCE = Path(__file__).parents[1] / "published"
ROW = "A,2024-01-05,as_found,5,5.1"
# The folders that the kept stores of earlier versions were made from.
KEPT = (
    {
        "r": f"{HEADER}\n{ROW}\nA,2024-01-05,as_left,5,5.0\nB,2024-02-05,as_found,9.98,x\n",
        "m": "meter_id,interval_days,site\nA,182,north\nB,91,south\n",
    },
    {"r": f"{HEADER}\nA,2024-01-05,as_found,5,5.2\nC,2024-03-05,as_found,5,4.9\n"},
)


def kept_store(tmp_path: Path, version: int) -> Path:
    """Return a store as an earlier version of the program left it."""
    path = tmp_path / f"v{version}.duckdb"
    packed = REFERENCE / f"store_version_{version}.duckdb.xz"
    path.write_bytes(lzma.decompress(packed.read_bytes()))
    return path


def made_anew(tmp_path: Path) -> Path:
    """Return a store that this version makes of the same folders."""
    path = tmp_path / "new.duckdb"
    with open_store(path, folder=tmp_path) as store:
        for name, tables in zip(("first", "second"), KEPT, strict=True):
            take_folder(store, write(tmp_path / name, **tables))
    return path


def contents(path: Path) -> list[pl.DataFrame]:
    """Return all frames that a review reads of a store."""
    with open_store(path, read_only=True) as store:
        found = read(store)
        return [found.sessions, found.meters, found.held_back, found.amendments, found.files]


def altered(path: Path, *statements: str) -> Path:
    """Run statements in a store as somebody else might."""
    with duckdb.connect(str(path)) as con:
        for statement in statements:
            con.execute(statement)
    return path


# Versions


def test_each_older_version_has_a_kept_store() -> None:
    """Whoever raises the version keeps a store of the one before."""
    assert tuple(range(2, SCHEMA_VERSION)) == OLDER
    for version in OLDER:
        assert (REFERENCE / f"store_version_{version}.duckdb.xz").is_file()


def test_a_new_store_is_known_by_its_digest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever changes the schema writes the digest anew: with another one, opening only slows."""
    path = made_anew(tmp_path)
    with open_store(path, read_only=True) as store:
        assert digest_of(form_of(store, "store")) == FORM_SHA256
    once = contents(path)
    monkeypatch.setattr("drift.store.form.FORM_SHA256", "of another form")
    assert all(map(pl.DataFrame.equals, contents(path), once))


@pytest.mark.parametrize("version", OLDER)
def test_a_store_of_an_older_version_says_what_a_new_one_says(tmp_path: Path, version: int) -> None:
    """Read-only it is read from a copy and left as it is; opened for writing it is brought up."""
    path = kept_store(tmp_path, version)
    before = path.read_bytes()
    new = contents(made_anew(tmp_path))
    assert all(map(pl.DataFrame.equals, contents(path), new))
    assert path.read_bytes() == before
    with open_store(path, folder=tmp_path) as store:
        assert store.execute("select schema_version from store_info").fetchall() == [
            (SCHEMA_VERSION,)
        ]
        again = take_folder(store, write(tmp_path / "first", **KEPT[0]))
        assert counts(again)["r.csv"] == (3, 0, 1, 2, 0)
    assert all(map(pl.DataFrame.equals, contents(path), new))


def test_a_copy_of_an_older_store_goes_with_its_connection(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is left where temporary files go."""
    made = tmp_path / "temporary"
    made.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(made))
    assert contents(kept_store(tmp_path, 2))[0].height == 3
    assert not [path for path in made.iterdir() if path.name != "drift-spill"]


def test_an_older_store_with_something_foreign_is_left_as_it_is(tmp_path: Path) -> None:
    """Its form is checked before it is brought up and after."""
    for number, statement in enumerate(
        ("create view x as select 1", "create macro x(a) as a", "alter table meters add y integer")
    ):
        folder = tmp_path / str(number)
        folder.mkdir()
        path = altered(kept_store(folder, 2), statement)
        before = path.read_bytes()
        with pytest.raises(StoreError, match="nothing in it is read"):
            open_store(path)
        with pytest.raises(StoreError, match="nothing in it is read"):
            open_store(path, read_only=True)
        with duckdb.connect(str(path), read_only=True) as con:
            assert con.execute("select schema_version from store_info").fetchall() == [(2,)]
        assert path.read_bytes() == before


def test_a_store_of_a_newer_version_is_left_as_it_is(tmp_path: Path) -> None:
    """The way out is the newer program, and the file stays whole."""
    path = altered(made_anew(tmp_path), "update store_info set schema_version = schema_version + 1")
    before = path.read_bytes()
    for read_only in (True, False):
        with pytest.raises(StoreError, match=f"has version {SCHEMA_VERSION + 1}") as caught:
            open_store(path, read_only=read_only)
        assert "newer" in caught.value.hint
    assert path.read_bytes() == before


# Stores from someone else


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("create view x as select * from read_text('{secret}')", "holds the view x"),
        (
            "alter table meters rename to m; create view meters as from read_csv('{secret}')",
            "holds the view meters",
        ),
        ("drop table marks", "lacks the table marks"),
        ("create table more (a integer)", "holds the table more"),
        ("create macro as_date(a, b) as (select content from read_text('{secret}'))", "the macro"),
        ("create macro duckdb_tables() as table select * from read_text('{secret}')", "the macro"),
        ("create schema other", "holds the schema other"),
        ("create sequence counter", "holds the sequence counter"),
        ("alter table meters add column price integer", "holds the table meters"),
        ("alter table meters alter site set default 'here'", "holds the table meters"),
        ("alter table readings drop remarks", "holds the table readings"),
    ],
)
def test_a_store_with_another_form_is_refused(tmp_path: Path, statement: str, said: str) -> None:
    """Views, macros and tables that no store has: nothing is read of them or through them."""
    secret = tmp_path / "secret.txt"
    secret.write_text("meter_id\nsecret\n")
    path = altered(made_anew(tmp_path), *statement.format(secret=secret).split("; "))
    for read_only in (True, False):
        with pytest.raises(StoreError, match=said):
            open_store(path, read_only=read_only)


@pytest.mark.parametrize(
    "statement", ["select * from read_text('{0}')", "copy meters to '{0}.out'"]
)
def test_an_open_store_reaches_no_other_file(tmp_path: Path, statement: str) -> None:
    """Whatever a file may hold, it reads and writes nothing beside itself, and stays so."""
    secret = tmp_path / "secret.txt"
    secret.write_text("secret")
    path = made_anew(tmp_path)
    for read_only in (True, False):
        with open_store(path, read_only=read_only) as store:
            with pytest.raises(duckdb.PermissionException):
                store.execute(statement.format(secret)).fetchall()
            with pytest.raises(duckdb.Error):
                store.execute("set enable_external_access = true")


@pytest.mark.parametrize("kind", ["table", "view"])
def test_a_database_that_calls_itself_a_store_is_looked_at(tmp_path: Path, kind: str) -> None:
    """The version alone makes no store, neither in a table nor in a view."""
    path = tmp_path / "s.duckdb"
    altered(path, f"create {kind} store_info as select {SCHEMA_VERSION} as schema_version")
    with pytest.raises(StoreError, match=r"lacks the table|is a database but not a store"):
        open_store(path, read_only=True)


# Damage


def damaged(whole: bytes, *, seed: int) -> bytes:
    """Return a file with bits turned, blocks blanked or exchanged, or its end cut off."""
    chance = random.Random(seed)  # noqa: S311
    data = bytearray(whole)
    how = chance.choice(["bits", "head", "blank", "cut", "exchange"])
    if how == "bits":
        for _ in range(chance.randint(1, 30)):
            data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    elif how == "head":
        for _ in range(chance.randint(1, 6)):
            data[chance.randrange(12_288)] = chance.randrange(256)
    elif how == "blank":
        start, many = chance.randrange(len(data)), chance.choice([16, 4096, 262_144])
        data[start : start + many] = bytes(len(data[start : start + many]))
    elif how == "cut":
        del data[chance.randrange(len(data)) :]
    else:
        one, other = (chance.randrange(len(data) - 4096) for _ in range(2))
        data[one : one + 4096] = data[other : other + 4096]
    return bytes(data)


@pytest.mark.parametrize("many", [40, pytest.param(200, marks=pytest.mark.long)])
def test_a_damaged_store_is_whole_or_said_to_be_damaged(tmp_path: Path, many: int) -> None:
    """Each gives what it gave before, or one sentence; never "in use"."""
    whole = made_anew(tmp_path)
    once = contents(whole)
    said: list[str] = []
    path = tmp_path / "damaged.duckdb"
    for seed in range(many):
        path.write_bytes(damaged(whole.read_bytes(), seed=seed))
        try:
            if seed % 2:
                with open_store(path, folder=tmp_path) as store:
                    take_folder(store, tmp_path / "first")
            found = contents(path)
        except DriftError as error:
            said.append(str(error))
        else:
            assert all(map(pl.DataFrame.equals, found, once))
    assert 0.1 * many < len(said) < 0.9 * many
    assert not [words for words in said if "in use" in words or "\n" in words]


# Several at once

ONE = """
import sys
from pathlib import Path
from typing import Any
from drift.cli import main
sys.argv = ["drift", "intake", sys.argv[1], "--store", sys.argv[2]]
main()
"""


def test_two_writers_take_turns(tmp_path: Path) -> None:
    """Two loads at once: both are taken, one after the other, and the store holds both."""
    path = tmp_path / "s.duckdb"
    folders = [
        write(tmp_path / f"f{number}", r=readings(f"M{number},2024-01-05,as_found,5,5.1"))
        for number in range(2)
    ]
    running = [
        subprocess.Popen([sys.executable, "-c", ONE, str(folder), str(path)]) for folder in folders
    ]
    assert [process.wait(timeout=60) for process in running] == [0, 0]
    with open_store(path, read_only=True) as store:
        assert read(store).sessions["meter_id"].to_list() == ["M0", "M1"]


def test_a_store_made_while_this_process_waited_is_taken_as_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another load makes the store after this one has looked for it: both are taken."""
    path = tmp_path / "s.duckdb"
    attach = opening._attach
    earlier: list[str] = []

    def attach_second(con: duckdb.DuckDBPyConnection, place: str, **given: Any) -> None:
        if not earlier:
            earlier.append(place)
            folder = write(tmp_path / "f0", r=readings("M0,2024-01-05,as_found,5,5.1"))
            with open_store(path, folder=folder) as store:
                take_folder(store, folder)
        attach(con, place, **given)

    monkeypatch.setattr(opening, "_attach", attach_second)
    folder = write(tmp_path / "f1", r=readings("M1,2024-01-05,as_found,5,5.1"))
    with open_store(path, folder=folder) as store:
        take_folder(store, folder)
        assert read(store).sessions["meter_id"].to_list() == ["M0", "M1"]


def test_a_reader_sees_a_whole_load_or_none(tmp_path: Path) -> None:
    """While one process loads again and again, whoever reads sees loads as a whole."""
    path = tmp_path / "s.duckdb"
    with open_store(path, folder=tmp_path) as store:
        take_folder(store, write(tmp_path / "f0", r=readings("Z,2024-01-05,as_found,5,5.1")))
    rows = [f"M{number:04},2024-01-05,as_found,5,5.1" for number in range(2000)]
    folder = write(tmp_path / "f1", r=readings(*rows))
    with subprocess.Popen([sys.executable, "-c", ONE, str(folder), str(path)]) as loading:
        seen, said = set(), set()
        while loading.poll() is None:
            try:
                with open_store(path, read_only=True) as store:
                    seen.add(read(store).sessions.height)
            except StoreError as error:
                said.add(error.what)
            # A reader that never lets go would keep the writer from its turn.
            with suppress(subprocess.TimeoutExpired):
                loading.wait(timeout=0.2)
    assert said <= {f"is in use by process {loading.pid}"}
    assert loading.returncode == 0
    assert seen <= {1, 2001}
    assert load(folder)[1].sessions.height == 2000


def test_what_does_not_fit_in_memory_goes_where_temporary_files_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With little memory for the library a large table is sorted whole, and nothing stays."""
    made = tmp_path / "temporary"
    made.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(made))
    with open_store(tmp_path / "s.duckdb", memory_mib=96) as store:
        store.execute(
            "create temp table t as select hash(i)::varchar as h, hash(i + 1)::varchar as g "
            "from range(1500000) as r(i) order by h"
        )
        assert store.execute("select sum(size) > 0 from duckdb_temporary_files()").fetchall() == [
            (True,)
        ]
        assert store.execute("select count(distinct h) from t").fetchall() == [(1_500_000,)]
    assert not [path for path in made.rglob("*") if path.is_file()]
