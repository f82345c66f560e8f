"""The key store: encrypted, owner-only, and a wrong passphrase or a changed file opens nothing."""

import json
import os
import stat
import sys
from pathlib import Path

import pytest

from benchrunner.errors import Refused
from benchrunner.record import keys
from benchrunner.record.keys import Store

PASSPHRASE = "nine tarns over the moor"


def test_a_key_is_made_listed_opened_and_exported(store: Store, tmp_path: Path) -> None:
    made = store.make("bar", PASSPHRASE)
    assert [key.thumbprint for key in store.own()] == [made.thumbprint]
    opened = store.open("bar", PASSPHRASE)
    assert opened.public == made
    assert keys.SigningKey.from_seed("bar", opened.seed).public.x == made.x
    file = tmp_path / "bar.json"
    file.write_text(json.dumps(store.export("bar")))
    (public,) = keys.read_public(file)
    assert public == made
    assert opened.seed not in (store.folder / "key-bar.json").read_bytes()
    assert "seed" not in repr(opened)


def test_files_belong_to_their_owner_alone(store: Store) -> None:
    store.make("bar", PASSPHRASE)
    if os.name == "posix":
        assert stat.S_IMODE((store.folder / "key-bar.json").stat().st_mode) == 0o600
        assert stat.S_IMODE(store.folder.stat().st_mode) == 0o700
        (store.folder / "key-bar.json").chmod(0o640)
        with pytest.raises(Refused, match="read by others"):
            store.open("bar", PASSPHRASE)


def test_the_passphrase_is_stretched_as_the_file_says(store: Store) -> None:
    store.make("bar", PASSPHRASE)
    data = json.loads((store.folder / "key-bar.json").read_text())
    assert data["derivation"]["name"] == "scrypt"
    assert data["derivation"]["n"] >= 2**15
    assert data["cipher"]["name"] == "AES-256-GCM"


@pytest.mark.parametrize("wrong", ["", "nine tarns over the moon", PASSPHRASE + " ", PASSPHRASE.upper()])
def test_a_wrong_passphrase_opens_nothing(store: Store, wrong: str) -> None:
    store.make("bar", PASSPHRASE)
    with pytest.raises(Refused, match="passphrase is wrong"):
        store.open("bar", wrong)


@pytest.mark.parametrize(
    "change",
    [
        {"name": "somebody-else"},
        {"demo": True},
        {"made": "2020-01-01T00:00:00Z"},
        {"private": "AAAA"},
        {"derivation": {"name": "scrypt", "n": 2, "r": 8, "p": 1, "salt": "AAAA"}},
        {"derivation": {"name": "scrypt", "n": 2**40, "r": 8, "p": 1, "salt": "AAAA"}},
        {"derivation": {"name": "scrypt", "n": 65537, "r": 8, "p": 1, "salt": "AAAA"}},
        {"derivation": {"name": "other", "n": 2**16, "r": 8, "p": 1, "salt": "AAAA"}},
        {"derivation": None},
        {"cipher": {"name": "none"}},
        {"jwk": {"kty": "OKP", "crv": "Ed25519", "x": "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"}},
        {"jwk": "x"},
    ],
)
def test_a_changed_key_file_opens_nothing(store: Store, change: dict[str, object]) -> None:
    store.make("bar", PASSPHRASE)
    path = store.folder / "key-bar.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), **change}))
    with pytest.raises(Refused) as refused:
        store.open("bar", PASSPHRASE)
    assert len(refused.value.problems) == 1


def test_a_demo_key_is_marked_and_the_mark_stays(store: Store) -> None:
    store.make("try", PASSPHRASE, demo=True)
    assert store.own()[0].demo
    assert store.open("try", PASSPHRASE).public.demo
    assert store.export("try")["demo"] is True


@pytest.mark.parametrize("name", ["", "../x", "a/b", "a\\b", ".hidden", "x" * 65, "a b", "a\0b", "con\n"])
def test_a_bad_name_is_refused(store: Store, name: str) -> None:
    for call in (
        lambda: store.make(name, PASSPHRASE),
        lambda: store.open(name, PASSPHRASE),
        lambda: store.export(name),
    ):
        with pytest.raises(Refused, match="no name for a key"):
            call()
    assert not store.folder.exists()


def test_refusals_of_making(store: Store) -> None:
    with pytest.raises(Refused, match="fewer than"):
        store.make("bar", "short")
    store.make("bar", PASSPHRASE)
    with pytest.raises(Refused, match="already"):
        store.make("bar", PASSPHRASE)
    with pytest.raises(Refused, match=r"there are: bar"):
        store.open("foo", PASSPHRASE)


def test_trust_takes_files_lists_and_bare_keys(store: Store, tmp_path: Path) -> None:
    other = Store(tmp_path / "other")
    ours = [other.make(f"k{n}", PASSPHRASE) for n in range(3)]
    single, listed, bare = tmp_path / "a.json", tmp_path / "b.json", tmp_path / "c.json"
    single.write_text(json.dumps(other.export("k0")))
    listed.write_text(json.dumps({"keys": [other.export("k0"), other.export("k1")]}))
    bare.write_text(json.dumps({**ours[2].jwk, "kid": "third"}))
    for file in (single, listed, bare):
        store.trust(file)
    assert {key.thumbprint for key in store.trusted()} == {key.thumbprint for key in ours}
    assert set(store.known()) == {key.thumbprint for key in ours}
    if sys.platform != "win32":
        assert stat.S_IMODE((store.folder / "trusted.json").stat().st_mode) == 0o600


@pytest.mark.parametrize(
    "text",
    ["", "no", "[]", "{}", '{"keys": [1]}', '{"jwk": {"kty": "RSA"}}', '{"keys": [{"kty": "OKP", "crv": "Ed25519", "x": 1}]}',
     '{"kty": "OKP", "crv": "Ed25519", "x": "AAAA"}', '{"kty": "OKP", "crv": "Ed25519", "x": "!!!!"}', "[" * 100_000],
)  # fmt: skip
def test_what_is_no_key_file_is_refused_in_words(store: Store, tmp_path: Path, text: str) -> None:
    file = tmp_path / "x.json"
    file.write_text(text)
    with pytest.raises(Refused):
        store.trust(file)
    assert store.trusted() == []


def test_the_store_follows_the_users_data_folder(home: Path) -> None:
    keys.make("bar", PASSPHRASE)
    assert any(home.rglob("key-bar.json")), "must lie below HOME or XDG_DATA_HOME"
    assert Store().open("bar", PASSPHRASE).public.name == "bar"
