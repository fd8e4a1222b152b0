"""A signed head detects changes by anyone without the key."""

import base64
import builtins
import dataclasses
import shutil
import subprocess

import pytest
from click.testing import CliRunner

from glasswright.commands import main as command_line
from glasswright.errors import LedgerDamagedError
from glasswright.ledger import Ledger
from glasswright.ledger.head import HeadFile
from glasswright.signing import KEY_VARIABLE, Signer, SigningError, is_public_key, is_signed_by
from support.ledger_tampering import tamper
from support.ledger_toys import METHOD_TEXT, STAND_TEXT, document, good_outcomes, run_record, ticket_record, write_night

pytest.importorskip("cryptography")
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

# RFC 8032, section 7.1, test 1 (and its private key as PKCS#8 in PEM, RFC 8410): an empty message
RFC_SECRET = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
RFC_PUBLIC = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
RFC_SIGNATURE = (
    "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe246551"
    "41438e7a100b"
)


def write_key(file, key):
    pem = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    file.write_bytes(pem)
    return file


@pytest.fixture
def key(tmp_path, monkeypatch):
    file = write_key(tmp_path / "shop.pem", Ed25519PrivateKey.generate())
    monkeypatch.setenv(KEY_VARIABLE, str(file))
    return Signer(file)


@pytest.fixture
def path(tmp_path, key):
    path = tmp_path / "bench.ledger"
    stand = STAND_TEXT + f"ledger_key: {key.public_key()}\n"
    documents = (document(), document("method", METHOD_TEXT), document("stand", stand))
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(dataclasses.replace(run_record(), documents=documents))
        outcomes = good_outcomes("T-1")
        ledger.commit_ticket(run, ticket_record(outcomes, "T-1"), outcomes)
        ledger.end_run(run, {})
    return path


def verify(path, *options):
    return command("verify", "--ledger", path, *options)


def command(*arguments):
    runner = CliRunner()
    with runner.isolation() as (out, err, _):
        code = command_line.run_command([str(each) for each in arguments])
        text = out.getvalue() + err.getvalue()
    return code, text.decode()


def test_signatures_are_those_of_the_standard(tmp_path):
    signer = Signer(write_key(tmp_path / "rfc.pem", Ed25519PrivateKey.from_private_bytes(bytes.fromhex(RFC_SECRET))))
    assert base64.b64decode(signer.sign(b"")).hex() == RFC_SIGNATURE
    assert base64.b64decode(signer.public_key())[-32:].hex() == RFC_PUBLIC


def test_a_key_of_openssl_is_taken(tmp_path):
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    file = tmp_path / "key.pem"
    subprocess.run(["openssl", "genpkey", "-algorithm", "ed25519", "-out", file], check=True)
    shown = subprocess.run(["openssl", "pkey", "-in", file, "-pubout"], check=True, capture_output=True, text=True)
    assert Signer(file).public_key() == shown.stdout.splitlines()[1]
    assert is_public_key(shown.stdout.splitlines()[1])


def test_a_signed_ledger_is_sound_by_the_stand_file_that_it_keeps(path, key):
    code, text = verify(path)
    assert (code, ", signed" in text) == (0, True)
    assert key.public_key() not in HeadFile(path).path.read_text(encoding="utf-8")


@pytest.mark.parametrize("how", ["unsigned", "by another key"])
def test_a_ledger_rewritten_without_the_key_is_detected(path, tmp_path, monkeypatch, how):
    """All hashes, the chain and the head are recomputed: only the signature is wrong."""
    if how == "unsigned":
        monkeypatch.delenv(KEY_VARIABLE)
    else:
        monkeypatch.setenv(KEY_VARIABLE, str(write_key(tmp_path / "other.pem", Ed25519PrivateKey.generate())))
    old = path.with_name("old.ledger")
    with Ledger.open_for_reading(path) as ledger:
        (stand,) = (row[0] for row in ledger.database.rows("SELECT text FROM document WHERE kind = 'stand'"))
    path.rename(old)
    HeadFile(path).path.unlink()
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(dataclasses.replace(run_record(), documents=(document("stand", stand),)))
        ledger.end_run(run, {})
    code, text = verify(path)
    assert code == 21
    assert ("is not signed" if how == "unsigned" else "is signed by another key, or changed") in text
    assert f"the environment variable {KEY_VARIABLE}" in text


def test_a_record_is_confirmed_only_by_a_signed_ledger(path, tmp_path, monkeypatch):
    record = tmp_path / "record.pdf"
    assert command("record", "T-1", "--ledger", path, "--out", record)[0] == 0
    assert command("record", "--verify", record, "--ledger", path)[0] == 0
    head = HeadFile(path).read()
    monkeypatch.delenv(KEY_VARIABLE)
    HeadFile(path).write(head)  # whoever rewrites the ledger has no key
    code, text = command("record", "--verify", record, "--ledger", path)
    assert (code, "bench.ledger.head is not signed" in text) == (21, True)


def test_a_forged_signature_is_found(path):
    head = HeadFile(path).path
    text = head.read_text(encoding="utf-8")
    start = text.index('"signature": "') + len('"signature": "')
    other = "B" if text[start] == "A" else "A"
    head.write_text(text[:start] + other + text[start + 1 :], encoding="utf-8")
    code, text = verify(path)
    assert code == 21
    assert "is signed by another key, or changed" in text


def test_rows_written_without_the_key_are_not_signed(tmp_path, key, monkeypatch):
    """A ledger that was not signed before is signed only on request."""
    path = tmp_path / "plain.ledger"
    with monkeypatch.context() as patch:
        patch.delenv(KEY_VARIABLE)
        write_night(path)
    with pytest.raises(LedgerDamagedError, match=r"the head plain\.ledger\.head is not signed; the key is"):
        write_night(path, numbers=("T-2",))
    code, _ = verify(path, "--accept-restored", "--by", "K. Moreau", "--why", "signed from now on")
    assert code == 0
    with Ledger.open_for_reading(path) as ledger:
        ledger.check_signature(key.public_key())
    write_night(path, numbers=("T-2",))


def test_a_changed_row_is_found_whatever_is_signed(path):
    tamper(path, "UPDATE run SET machine = 'x' WHERE id = 1")
    assert verify(path)[0] == 21


def test_a_key_that_cannot_be_used_is_named_before_anything_is_written(tmp_path, monkeypatch):
    path = tmp_path / "bench.ledger"
    curve = write_key(tmp_path / "other.pem", generate_private_key(SECP256R1()))
    files = {
        tmp_path / "none.pem": r"none\.pem: the key that GLASSWRIGHT_LEDGER_KEY names cannot be read",
        tmp_path / "text.pem": r"text\.pem: the key .* is not a private PEM key without a password",
        curve: r"other\.pem: the key .* is not an Ed25519 key",
    }
    (tmp_path / "text.pem").write_text("hello", encoding="utf-8")
    for file, message in files.items():
        monkeypatch.setenv(KEY_VARIABLE, str(file))
        with pytest.raises(SigningError, match=message):
            Ledger.open_for_writing(path)
        assert not path.exists()


def test_a_missing_library_is_named_with_how_to_install_it(monkeypatch):
    real = builtins.__import__

    def refuse(name, *others, **more):
        if name.partition(".")[0] == "cryptography":
            raise ImportError(name)
        return real(name, *others, **more)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(SigningError, match=r"the library cryptography is needed: pip install 'glasswright\[sign\]'"):
        is_signed_by("", b"", "")


def test_an_invalid_public_key_is_refused():
    assert not is_public_key("hello")
    assert not is_public_key("aGVsbG8=")
    assert not is_public_key("ä")


def test_a_signature_is_of_these_bytes_by_this_key_and_spelled_one_way(key, tmp_path):
    public, signature = key.public_key(), key.sign(b"head")
    other = Signer(write_key(tmp_path / "other.pem", Ed25519PrivateKey.generate())).public_key()
    assert is_public_key(public)
    assert not is_public_key(public[:-8])
    assert is_signed_by(public, b"head", signature)
    assert not is_signed_by(public, b"tail", signature)
    assert not is_signed_by(other, b"head", signature)
    # characters outside of base64 are not passed over
    assert not is_signed_by(public, b"head", f"{signature[:20]}!{signature[20:]}")
