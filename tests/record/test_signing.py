"""Signatures: published vectors first (RFC 8032, 8037, 8785, FIPS 180-4), then our own tokens, checked without our code."""

import hashlib
import json
import struct
import warnings
from base64 import urlsafe_b64decode, urlsafe_b64encode
from pathlib import Path
from typing import Any

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from benchrunner.record import canonical, keys, signing
from benchrunner.record.keys import SigningKey
from benchrunner.record.signing import SignatureError

VECTORS = {
    v["id"]: v
    for v in json.loads(
        (Path(__file__).parents[1] / "vectors" / "signing" / "crypto-canonical.json").read_text("utf-8")
    )
}
HEADER = canonical.dumps({"format": "benchrunner record", "µ": [1, 2.5, None]})


def unb64(text: str) -> bytes:
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))


def b64(raw: bytes) -> str:
    return urlsafe_b64encode(raw).rstrip(b"=").decode()


def independent(token: bytes, header: bytes) -> dict[str, Any]:
    """A verifier of a dozen lines that knows nothing of this program: RFC 7515, 5.2, with the payload put back."""
    head, nothing, value = token.decode().split(".")
    assert nothing == ""
    protected = json.loads(unb64(head))
    assert protected["alg"] == "Ed25519"
    public = Ed25519PublicKey.from_public_bytes(unb64(protected["jwk"]["x"]))
    public.verify(unb64(value), f"{head}.{b64(header)}".encode("ascii"))
    return dict(protected)


@pytest.mark.parametrize("identity", ["CR-01", "CR-02", "CR-04"])
def test_ed25519_of_rfc_8032(identity: str) -> None:
    """RFC 8032, 7.1: the key store's key from a seed gives the published public key."""
    vector = VECTORS[identity]
    key = SigningKey.from_seed("rfc", bytes.fromhex(vector["input"]["secret_hex"]))
    assert key.public.x.hex() == vector["expected"]["public_hex"]
    public = Ed25519PublicKey.from_public_bytes(key.public.x)
    message = bytes.fromhex(vector["input"]["message_hex"])
    public.verify(bytes.fromhex(vector["expected"]["signature_hex"]), message)
    with pytest.raises(InvalidSignature):
        public.verify(bytes.fromhex(vector["expected"]["signature_hex"]), message + b"\0")


def test_the_jws_of_rfc_8037_verifies_once_detached() -> None:
    """RFC 8037, A.4 and A.5, its payload taken out as RFC 7515, appendix F says; by the path that verifies records."""
    vector = VECTORS["CR-06"]
    key = keys.public_from_jwk({"kty": "OKP", "crv": "Ed25519", "x": vector["input"]["x"]})
    head, _, value = vector["expected"].split(".")
    payload = vector["input"]["payload"].encode()
    signing._verify(f"{head}..{value}", payload, key)
    for wrong in (payload + b" ", payload[:-1], b""):
        with pytest.raises(SignatureError, match="does not fit"):
            signing._verify(f"{head}..{value}", wrong, key)


def test_the_signature_value_is_the_published_one() -> None:
    """RFC 8037, A.4 again, the other way: our private key, the published header and payload, the published value."""
    from joserfc import jws
    from joserfc.jwk import OKPKey

    vector = VECTORS["CR-06"]
    key = SigningKey.from_seed("rfc", unb64(vector["input"]["d"]))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the RFC's own name of the algorithm is deprecated by RFC 9864
        token = jws.serialize_compact(
            {"alg": "EdDSA"}, vector["input"]["payload"], OKPKey.import_key(dict(key.private_jwk)),
            registry=signing._registry(),
        )  # fmt: skip
    assert token == vector["expected"]


def test_the_thumbprint_of_rfc_8037() -> None:
    """RFC 8037, A.3 (RFC 7638)."""
    key = keys.public_from_jwk(json.loads(VECTORS["CR-07"]["input"]["jwk"]))
    assert key.thumbprint == VECTORS["CR-07"]["expected"]


@pytest.mark.parametrize("identity", ["CR-08", "CR-09", "CR-10"])
def test_sha_256(identity: str) -> None:
    """FIPS 180-4's examples, by the function that makes our digests."""
    from benchrunner.record.seal import _sha256

    assert _sha256(VECTORS[identity]["input"]["ascii"].encode()) == VECTORS[identity]["expected"]


def test_canonical_json_of_rfc_8785() -> None:
    """RFC 8785, 3.2.2 to 3.2.4, 3.2.3 (order of names) and appendix B (numbers)."""
    sample = VECTORS["CR-11"]
    assert canonical.dumps(json.loads(sample["input"]["json"])) == sample["expected"].encode()
    names = [chr(int(k[2:], 16)) if k.startswith("U+") else k for k in VECTORS["CR-12"]["input"]["keys"]]
    says = {"\u20ac": "Euro Sign", "\r": "Carriage Return", "\ufb33": "Hebrew Letter Dalet With Dagesh", "1": "One",
            "\U0001f600": "Emoji: Grinning Face", "\u0080": "Control",
            "\u00f6": "Latin Small Letter O With Diaeresis"}  # fmt: skip
    ordered = list(json.loads(canonical.dumps({name: says[name] for name in names})).values())
    assert ordered == VECTORS["CR-12"]["expected"]
    numbers = VECTORS["CR-13"]
    for bits, text in zip(numbers["input"]["hex"], numbers["expected"], strict=True):
        assert canonical.dumps(struct.unpack(">d", bytes.fromhex(bits))[0]).decode() == text


def test_what_json_cannot_carry_is_refused() -> None:
    """RFC 8785, 3.2.2.3, and RFC 7493."""
    for value in (float("nan"), float("inf"), "\ud800", 2**53, {"a": object()}):
        with pytest.raises(canonical.JsonError):
            canonical.dumps(value)
    for text in (
        b"NaN",
        b"[Infinity]",
        b'{"a":1,"a":2}',
        b"\xff",
        b"[" * 100_000,
        b'{"a":' * 70 + b"1",
        b"",
        b"1e400",
        b"9" * 5000,
    ):
        with pytest.raises(canonical.JsonError):
            canonical.loads(text)


def test_a_record_from_published_parts() -> None:
    """RFC 8785 with RFC 8032's first key: canonical bytes, digest and raw signature."""
    vector = VECTORS["CR-15"]
    raw = canonical.dumps(json.loads(vector["input"]["json"]))
    assert raw == vector["expected"]["jcs"].encode()
    assert hashlib.sha256(raw).hexdigest() == vector["expected"]["sha256"]
    key = SigningKey.from_seed("rfc", bytes.fromhex(VECTORS["CR-01"]["input"]["secret_hex"]))
    assert keys._private(key.seed).sign(raw).hex() == vector["expected"]["ed25519_hex"]


def test_our_token_verifies_without_us(key: SigningKey) -> None:
    token = signing.sign(HEADER, key, comment="as agreed")
    protected = independent(token, HEADER)
    assert protected["kid"] == key.public.thumbprint
    assert protected["comment"] == "as agreed"
    with pytest.raises(InvalidSignature):
        independent(token, HEADER + b" ")


def test_an_older_token_named_eddsa_is_taken(key: SigningKey) -> None:
    protected = {"alg": "EdDSA", "typ": signing.TYPE, "kid": key.public.thumbprint, "jwk": key.public.jwk}
    assert signing.check(_token(protected, HEADER, key), HEADER).key == signing.PublicKey("", key.public.x)


def test_what_is_signed_comes_back(key: SigningKey) -> None:
    found = signing.check(
        signing.sign(HEADER, key, "reviewer", "seen", {"signatures/0001.jws": "ab"}), HEADER
    )
    assert (found.role, found.comment, found.name, found.demo) == (
        "reviewer",
        "seen",
        "highmoor-operator",
        False,
    )
    assert found.covers == {"signatures/0001.jws": "ab"}


def test_a_demo_key_says_so_in_what_is_signed() -> None:
    demo = SigningKey.from_seed("try", bytes(32), demo=True)
    token = signing.sign(HEADER, demo)
    assert signing.check(token, HEADER).demo is True
    assert independent(token, HEADER)["demo"] is True


def test_every_flipped_byte_of_a_token_is_found(key: SigningKey) -> None:
    token = signing.sign(HEADER, key)
    for at in range(len(token)):
        for bit in (0, 1, 2, 6):
            changed = token[:at] + bytes([token[at] ^ 1 << bit]) + token[at + 1 :]
            with pytest.raises(SignatureError):
                signing.check(changed, HEADER)


def _token(protected: dict[str, Any], payload: bytes, key: SigningKey, middle: str = "") -> bytes:
    head = b64(json.dumps(protected).encode())
    value = keys._private(key.seed).sign(f"{head}.{b64(payload)}".encode())
    return f"{head}.{middle}.{b64(value)}".encode()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"alg": "none"}, "not made with Ed25519"),
        ({"alg": "HS256"}, "not made with Ed25519"),
        ({"alg": None}, "not made with Ed25519"),
        ({"typ": "JWT"}, "not a record's signature"),
        ({"typ": None}, "not a record's signature"),
        ({"b64": False, "crit": ["b64"]}, "extensions"),
        ({"b64": False}, "extensions"),
        ({"crit": []}, "extensions"),
        ({"kid": "another"}, "does not fit the name"),
        ({"jwk": None}, "no Ed25519 key"),
        ({"jwk": {"kty": "OKP", "crv": "X25519", "x": "AA"}}, "no Ed25519 key"),
        ({"jwk": {"kty": "OKP", "crv": "Ed25519", "x": "AA"}}, "no Ed25519 key"),
        ({"covers": ["signatures/0001.jws"]}, "covers"),
        ({"role": 7}, "role"),
    ],
)
def test_a_token_of_another_shape_is_refused(change: dict[str, Any], says: str, key: SigningKey) -> None:
    """Each is signed correctly, so only its shape can give it away."""
    protected = {
        "alg": "Ed25519",
        "typ": signing.TYPE,
        "kid": key.public.thumbprint,
        "jwk": key.public.jwk,
        **change,
    }
    with pytest.raises(SignatureError, match=says):
        signing.check(_token(protected, HEADER, key), HEADER)


P = 2**255 - 19  # RFC 8032, 5.1


def _twice(y: int, d: int = -121665 * pow(121666, -1, P)) -> int:
    """y of the double of a point with this y on the curve -x^2 + y^2 = 1 + d x^2 y^2 (RFC 8032, 5.1.4, where a = -1)."""
    xx = (y * y - 1) * pow(d * y * y + 1, -1, P)
    return (y * y + xx) * pow(1 - d * xx * y * y, -1, P) % P


def test_a_key_of_small_order_is_nobodys() -> None:
    """Every point that doubling takes to the neutral one, however it is written: with S = 0 one of eight values of R holds
    (RFC 8032, 5.1.7), so nobody needs a secret.
    """
    eighth = 0x5FC536D880238B13933C6D305ACDFD5F098EFF289F4C345B027B2C28F95E826
    assert [_twice(eighth), _twice(0), _twice(P - 1)] == [0, P - 1, 1]
    for y in (0, 1, P - 1, P, P + 1, eighth, P - eighth):
        for sign in (0, 1):
            x = (y | sign << 255).to_bytes(32, "little")
            jwk = {"kty": "OKP", "crv": "Ed25519", "x": keys.b64(x)}
            with pytest.raises(ValueError, match="small order"):
                keys.public_from_jwk(jwk)
    one = keys.PublicKey("anybody", (1).to_bytes(32, "little"))
    protected = {"alg": "Ed25519", "typ": signing.TYPE, "kid": one.thumbprint, "jwk": one.jwk}
    token = (
        f"{keys.b64(canonical.dumps(protected))}..{keys.b64(one.x + bytes(32))}".encode()
    )  # made without any secret
    with pytest.raises(SignatureError, match="small order"):
        signing.check(token, HEADER)


def test_a_payload_inside_the_token_is_refused(key: SigningKey) -> None:
    """A library may then verify the payload inside and ignore ours."""
    protected = {"alg": "Ed25519", "typ": signing.TYPE, "kid": key.public.thumbprint, "jwk": key.public.jwk}
    other = b'{"verdict":"pass"}'
    with pytest.raises(SignatureError, match="detached"):
        signing.check(_token(protected, other, key, middle=b64(other)), HEADER)


@pytest.mark.parametrize(
    "token", [b"", b"..", b"a.b", b"a.b.c.d", b"\xff..\xff", b"e30..", b"e30.." + b"A" * 20_000, b"W10..AA"]
)
def test_rubbish_is_refused(token: bytes) -> None:
    with pytest.raises(SignatureError):
        signing.check(token, HEADER)


@pytest.mark.parametrize("text", ["AB", "AAB", "AA==", "A", "A A", "A+/A"])
def test_base64url_has_one_spelling_only(text: str) -> None:
    """RFC 4648, 3.5: spare bits must be zero; RFC 7515, 2: no padding. Another spelling is a change, even if it decodes."""
    with pytest.raises(ValueError, match=r"."):
        keys.unb64(text)
    assert keys.unb64("AA") == b"\0"
