"""Signing keys: Ed25519, kept in the user's data folder, the private half encrypted under a passphrase.

A key proves that who signed had the key and its passphrase, and that nothing changed since; not who that
was, nor when: a laboratory ties keys to people by its trust list. The private half is encrypted with
AES-256-GCM (NIST SP 800-38D) under a key derived with scrypt (RFC 7914); everything else in the file is
authenticated with it, so that neither the name nor the demo mark of a key can be changed. Files are readable
by their owner alone (on Windows: they lie in the user's own profile, whose access list says so).
"""

import base64
import contextlib
import hashlib
import os
import re
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchrunner.errors import Problem, Refused
from benchrunner.record import canonical
from benchrunner.record.facts import utc_now

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

SCRYPT_N, SCRYPT_R, SCRYPT_P = 2**16, 8, 1  # 64 MiB and about a quarter of a second per guess
SHORTEST_PASSPHRASE = 8
LARGEST_FILE = 1 << 20
NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")
_PRIME = 2**255 - 19  # of the field that curve25519 is over (RFC 8032, 5.1)
_EIGHTH = 0x5FC536D880238B13933C6D305ACDFD5F098EFF289F4C345B027B2C28F95E826  # y of a point of order 8
_SMALL_ORDER = frozenset(
    (0, 1, _PRIME - 1, _EIGHTH, _PRIME - _EIGHTH)
)  # y of the eight points of order 1, 2, 4 and 8
PUBLIC_FORMAT, KEY_FORMAT, LIST_FORMAT = (
    "benchrunner public key",
    "benchrunner signing key",
    "benchrunner trust list",
)


def b64(raw: bytes) -> str:
    """base64url without padding (RFC 7515, appendix C)."""
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def unb64(text: str) -> bytes:
    """The inverse; only the one canonical spelling is taken. Raises `ValueError`."""
    raw = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    if b64(raw) != text:
        raise ValueError("is not canonical base64url")
    return raw


@dataclass(frozen=True, slots=True)
class PublicKey:
    """The public half, as it may be handed out. `name` is what its owner calls it; only the thumbprint is
    proof.
    """

    name: str
    x: bytes  # 32 bytes (RFC 8032)
    demo: bool = False
    made: str = ""

    @property
    def jwk(self) -> dict[str, str]:
        """As a JSON Web Key (RFC 8037, 2)."""
        return {"crv": "Ed25519", "kty": "OKP", "x": b64(self.x)}

    @property
    def thumbprint(self) -> str:
        """RFC 7638 with SHA-256: the name by which a signature calls its key."""
        return b64(hashlib.sha256(canonical.dumps(self.jwk)).digest())

    @property
    def fingerprint(self) -> str:
        """The thumbprint in groups, for reading aloud."""
        return " ".join(re.findall(".{1,4}", hashlib.sha256(canonical.dumps(self.jwk)).hexdigest()[:32]))

    def to_data(self) -> dict[str, Any]:
        """As it stands in a public key file."""
        return {
            "format": PUBLIC_FORMAT,
            "version": 1,
            "name": self.name,
            "demo": self.demo,
            "made": self.made,
            "jwk": self.jwk,
        }


@dataclass(frozen=True, slots=True)
class SigningKey:
    """An opened key. It is made only by `Store.open` or for a test; it never goes into a file unencrypted."""

    public: PublicKey
    seed: bytes = field(repr=False)  # 32 bytes (RFC 8032, 5.1.5)

    @classmethod
    def from_seed(cls, name: str, seed: bytes, demo: bool = False, made: str = "") -> "SigningKey":
        """The key of a 32-byte seed."""
        from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

        x = _private(seed).public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
        return cls(PublicKey(name, x, demo, made), seed)

    @property
    def private_jwk(self) -> dict[str, str]:
        """As a private JSON Web Key; for the signing library only."""
        return {**self.public.jwk, "d": b64(self.seed)}


def _private(seed: bytes) -> "Ed25519PrivateKey":
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    return Ed25519PrivateKey.from_private_bytes(seed)


def store_folder() -> Path:
    """Where keys lie: `keys` in the user's data folder (XDG_DATA_HOME or ~/.local/share on Linux)."""
    import platformdirs

    return platformdirs.user_data_path("benchrunner", appauthor=False) / "keys"


class Store:
    """The key store in one folder."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder or store_folder()

    def make(self, name: str, passphrase: str, demo: bool = False) -> PublicKey:
        """A new key. Raises `Refused` for a bad name, a name already taken or too short a passphrase."""
        _check_name(name)
        if len(passphrase) < SHORTEST_PASSPHRASE:
            raise Refused(
                Problem(
                    f"key {name!r}",
                    f"the passphrase has fewer than {SHORTEST_PASSPHRASE} characters",
                    "take a longer one; several words are good",
                )
            )
        key = SigningKey.from_seed(name, os.urandom(32), demo, utc_now())
        self._write(self._path(name), canonical.dumps(_encrypt(key, passphrase)))
        return key.public

    def own(self) -> list[PublicKey]:
        """The keys that can sign here. A file that cannot be read is left out; `open` says why."""
        found = []
        for path in sorted(self.folder.glob("key-*.json")):
            with contextlib.suppress(Refused):
                found.append(_public_of(_load(path), path))
        return found

    def export(self, name: str) -> dict[str, Any]:
        """The public half as data for a file to hand out. Raises `Refused`."""
        path = self._path(name)
        return _public_of(_load(path, self._there()), path).to_data()

    def open(self, name: str, passphrase: str) -> SigningKey:
        """The key, opened. Raises `Refused`: no such key, a file others can read, or a wrong passphrase."""
        _check_name(name)
        path = self._path(name)
        data = _load(path, self._there())
        if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
            raise Refused(
                Problem(
                    str(path),
                    "can be read by others than its owner",
                    f"chmod 600 {path}; consider making a new key",
                )
            )
        return _decrypt(data, passphrase, path)

    def trust(self, file: Path | str) -> list[PublicKey]:
        """Take the keys of a public key file, trust list, JWK or JWK set among the known ones; gives those
        taken.
        """
        new = read_public(file)
        known = {key.thumbprint: key for key in (*self.trusted(), *new)}
        data = {"format": LIST_FORMAT, "version": 1, "keys": [key.to_data() for key in known.values()]}
        path = self.folder / "trusted.json"
        self._folder()
        draft = path.with_suffix(f".{os.getpid()}.new")
        self._write(draft, canonical.dumps(data))
        os.replace(draft, path)
        return new

    def trusted(self) -> list[PublicKey]:
        """The keys taken by `trust`. Raises `Refused` where the list is damaged."""
        path = self.folder / "trusted.json"
        return read_public(path) if path.is_file() else []

    def known(self) -> dict[str, PublicKey]:
        """Thumbprint -> key, for all that are ours or trusted."""
        return {key.thumbprint: key for key in (*self.own(), *self.trusted())}

    def _path(self, name: str) -> Path:
        _check_name(name)
        return self.folder / f"key-{name}.json"  # the prefix keeps clear of names that Windows reserves

    def _there(self) -> str:
        names = ", ".join(key.name for key in self.own())
        return f"there are: {names}" if names else "make one with 'benchrunner keys make NAME'"

    def _folder(self) -> None:
        try:
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            if os.name == "posix":
                self.folder.chmod(0o700)
        except OSError as error:
            raise Refused(
                Problem(str(self.folder), f"cannot be made: {error.strerror}", "check HOME or XDG_DATA_HOME")
            ) from error

    def _write(self, path: Path, raw: bytes) -> None:
        self._folder()
        try:
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            raise Refused(
                Problem(
                    str(path),
                    "there is a key of this name already",
                    "take another name; keys are never written over",
                )
            ) from None
        except OSError as error:
            raise Refused(
                Problem(str(path), f"cannot be written: {error.strerror}", "check the folder and the disk")
            ) from error
        with os.fdopen(handle, "wb") as stream:
            stream.write(raw)
            stream.flush()
            os.fsync(stream.fileno())


def _check_name(name: str) -> None:
    if not NAME.fullmatch(name):
        raise Refused(
            Problem(
                f"key {name[:80]!r}",
                "is no name for a key",
                "take letters, digits, '.', '-' or '_', at most 64",
            )
        )


def _encrypt(key: SigningKey, passphrase: str) -> dict[str, Any]:
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    nonce = os.urandom(12)
    data: dict[str, Any] = {
        **key.public.to_data(),
        "format": KEY_FORMAT,
        "derivation": {
            "name": "scrypt",
            "n": SCRYPT_N,
            "r": SCRYPT_R,
            "p": SCRYPT_P,
            "salt": b64(os.urandom(16)),
        },
        "cipher": {"name": "AES-256-GCM", "nonce": b64(nonce)},
    }
    data["private"] = b64(
        AESGCM(_derive(passphrase, data["derivation"])).encrypt(nonce, key.seed, canonical.dumps(data))
    )
    return data


def _decrypt(data: dict[str, Any], passphrase: str, path: Path) -> SigningKey:
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    damaged = Problem(
        str(path), "is damaged or no key of this program", "take the file from a backup, or make a new key"
    )
    try:
        public = _public_of(data, path)
        rest = {name: value for name, value in data.items() if name != "private"}
        if data["cipher"]["name"] != "AES-256-GCM" or data["format"] != KEY_FORMAT:
            raise Refused(damaged)
        secret = _derive(passphrase, data["derivation"])
        seed = AESGCM(secret).decrypt(
            unb64(data["cipher"]["nonce"]), unb64(data["private"]), canonical.dumps(rest)
        )
        key = SigningKey.from_seed(public.name, seed, public.demo, public.made)
    except InvalidTag:
        raise Refused(
            Problem(str(path), "the passphrase is wrong, or the file was changed", "try the passphrase again")
        ) from None
    except (KeyError, TypeError, ValueError, canonical.JsonError):
        raise Refused(damaged) from None
    if key.public.x != public.x:
        raise Refused(damaged)
    return key


def _derive(passphrase: str, how: Mapping[str, Any]) -> bytes:
    """scrypt (RFC 7914) with the file's own parameters, held to bounds so that a file cannot make us compute
    for ever.
    """
    from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

    n, r, p = how["n"], how["r"], how["p"]
    if how["name"] != "scrypt" or not all(isinstance(v, int) for v in (n, r, p)):
        raise ValueError("an unknown derivation")
    if not (2**15 <= n <= 2**20 and 8 <= r <= 16 and 1 <= p <= 4):
        raise ValueError("parameters out of bounds")
    return Scrypt(salt=unb64(how["salt"]), length=32, n=n, r=r, p=p).derive(passphrase.encode("utf-8"))


def _load(path: Path, hint: str = "check the path") -> dict[str, Any]:
    try:
        with path.open("rb") as stream:
            raw = stream.read(LARGEST_FILE + 1)
    except OSError as error:
        absent = isinstance(error, FileNotFoundError)
        what = "there is no such file" if absent else f"cannot be read: {error.strerror}"
        raise Refused(Problem(str(path), what, hint)) from error
    try:
        data = canonical.loads(raw) if len(raw) <= LARGEST_FILE else None
    except canonical.JsonError as error:
        raise Refused(
            Problem(str(path), str(error), "give a key file in JSON; the name of a trust list ends in .toml")
        ) from error
    if not isinstance(data, dict):
        raise Refused(
            Problem(str(path), "is no key file", "give a file made by 'benchrunner keys export', or a JWK")
        )
    return data


def _public_of(data: Any, path: Path | str) -> PublicKey:
    """A public key from one of our files or a bare JWK. Raises `Refused`."""
    refused = Refused(
        Problem(
            str(path),
            "holds no Ed25519 key",
            "give a file made by 'benchrunner keys export', or a JWK (RFC 8037)",
        )
    )
    if not isinstance(data, dict):
        raise refused
    ours = "jwk" in data
    jwk = data["jwk"] if ours else data
    try:
        return public_from_jwk(
            jwk,
            name=str(data.get("name", "") if ours else jwk.get("kid", ""))[:64],
            demo=data.get("demo") is True,
            made=str(data.get("made", ""))[:40],
        )
    except ValueError:
        raise refused from None


def public_from_jwk(jwk: Any, name: str = "", demo: bool = False, made: str = "") -> PublicKey:
    """The key of a JWK. Raises `ValueError` for anything but an Ed25519 public key that somebody can hold alone."""
    if (
        not isinstance(jwk, dict)
        or jwk.get("kty") != "OKP"
        or jwk.get("crv") != "Ed25519"
        or not isinstance(jwk.get("x"), str)
    ):
        raise ValueError("is no Ed25519 key")
    x = unb64(jwk["x"])
    if len(x) != 32:
        raise ValueError("is no Ed25519 key: not 32 bytes")
    if int.from_bytes(x, "little") % 2**255 % _PRIME in _SMALL_ORDER:
        raise ValueError(
            "is nobody's: for a point of small order anybody can make signatures that hold over any text"
        )
    return PublicKey(name, x, demo, made)


def read_public(file: Path | str) -> list[PublicKey]:
    """The keys of a public key file, a trust list, a JWK or a JWK set (RFC 7517, 5). Raises `Refused`."""
    data = _load(Path(file))
    entries: Iterable[Any] = data["keys"] if isinstance(data.get("keys"), list) else [data]
    return [_public_of(entry, file) for entry in entries]


def make(name: str, passphrase: str, demo: bool = False) -> PublicKey:
    """`Store().make`: a new key in the user's key store."""
    return Store().make(name, passphrase, demo)
