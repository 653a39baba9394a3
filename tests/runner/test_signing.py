"""Keys and signatures: they agree with the published examples, and a key is never lost or shown by the tool."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path
from typing import ClassVar

import pytest
from cryptography.hazmat.primitives import serialization as form
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from holdzero.signing import (
    Key,
    SigningError,
    fingerprint_of,
    is_signed_by,
    make_key,
    read_key,
    record_message,
    review_message,
)

# RFC 8032, section 7.1, TEST 1 and TEST 2: secret key, public key, message, signature.
# Second-hand: as two libraries quote it in their known-answer tests.
PUBLISHED = (
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555"
            "fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
        ),
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da0"
            "85ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
        ),
    ),
)


def pem_of(public: str) -> str:
    key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public))
    return key.public_bytes(form.Encoding.PEM, form.PublicFormat.SubjectPublicKeyInfo).decode()


def base64_of(signature: str) -> str:
    import base64

    return base64.b64encode(bytes.fromhex(signature)).decode()


class TestThePublishedExamples:
    @pytest.mark.parametrize(("secret", "public", "message", "signature"), PUBLISHED)
    def test_are_signed_alike(self, secret: str, public: str, message: str, signature: str) -> None:
        key = Key(Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret)))
        assert key.public == pem_of(public)
        assert key.sign(bytes.fromhex(message)) == base64_of(signature)

    @pytest.mark.parametrize(("secret", "public", "message", "signature"), PUBLISHED)
    def test_are_verified(self, secret: str, public: str, message: str, signature: str) -> None:
        del secret
        assert is_signed_by(pem_of(public), bytes.fromhex(message), base64_of(signature))
        assert not is_signed_by(pem_of(public), bytes.fromhex(message) + b"x", base64_of(signature))

    def test_one_key_did_not_sign_for_the_other(self) -> None:
        (_, _, message, signature), (_, other, _, _) = PUBLISHED
        assert not is_signed_by(pem_of(other), bytes.fromhex(message), base64_of(signature))


class TestAKey:
    def test_its_file_can_be_read_by_its_owner_alone(self, tmp_path: Path) -> None:
        make_key(tmp_path / "key.pem")
        assert stat.S_IMODE((tmp_path / "key.pem").stat().st_mode) == 0o600

    def test_is_never_written_over(self, tmp_path: Path) -> None:
        first = make_key(tmp_path / "key.pem")
        with pytest.raises(SigningError, match="never written over"):
            make_key(tmp_path / "key.pem")
        assert read_key(tmp_path / "key.pem").fingerprint == first.fingerprint

    def test_is_the_same_after_it_was_read_again(self, tmp_path: Path) -> None:
        made, read = make_key(tmp_path / "key.pem"), read_key(tmp_path / "key.pem")
        message = record_message("sha256:" + "0" * 64)
        assert is_signed_by(made.public, message, read.sign(message))

    def test_goes_by_the_digest_of_its_32_bytes(self) -> None:
        import hashlib

        _, public, _, _ = PUBLISHED[0]
        assert fingerprint_of(pem_of(public)) == hashlib.sha256(bytes.fromhex(public)).hexdigest()

    def test_two_are_never_alike(self, tmp_path: Path) -> None:
        assert make_key(tmp_path / "a.pem").fingerprint != make_key(tmp_path / "b.pem").fingerprint

    def test_does_not_show_its_private_half(self, tmp_path: Path) -> None:
        key = make_key(tmp_path / "key.pem")
        secret = (tmp_path / "key.pem").read_text("utf-8").splitlines()[1]
        assert secret not in repr(key)

    def test_a_folder_that_is_not_there_is_said(self, tmp_path: Path) -> None:
        with pytest.raises(SigningError, match="can't be written"):
            make_key(tmp_path / "nowhere" / "key.pem")

    @pytest.mark.parametrize("links", ["refused", "none"])
    def test_is_made_where_a_file_has_one_name_alone(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, links: str
    ) -> None:
        def refused(*_: object) -> None:
            raise OSError(errno.EPERM, os.strerror(errno.EPERM))

        if links == "refused":
            monkeypatch.setattr(os, "link", refused)
        else:
            monkeypatch.delattr(os, "link")
        path = tmp_path / "key.pem"
        key = make_key(path)
        assert read_key(path).fingerprint == key.fingerprint
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        with pytest.raises(SigningError, match="never written over"):
            make_key(path)
        assert list(tmp_path.iterdir()) == [path]
        assert read_key(path).fingerprint == key.fingerprint


class TestAPassphrase:
    def test_locks_the_file(self, tmp_path: Path) -> None:
        key = make_key(tmp_path / "key.pem", "open sesame")
        assert read_key(tmp_path / "key.pem", "open sesame").fingerprint == key.fingerprint

    def test_that_is_missing_is_asked_for_by_the_name_of_its_variable(self, tmp_path: Path) -> None:
        make_key(tmp_path / "key.pem", "open sesame")
        with pytest.raises(SigningError, match="HOLDZERO_PASSPHRASE"):
            read_key(tmp_path / "key.pem")

    def test_that_is_wrong_is_refused_and_not_repeated(self, tmp_path: Path) -> None:
        make_key(tmp_path / "key.pem", "open sesame")
        with pytest.raises(SigningError, match="does not fit") as refused:
            read_key(tmp_path / "key.pem", "open barley")
        assert "barley" not in str(refused.value)

    def test_that_is_set_does_no_harm_to_a_key_without_one(self, tmp_path: Path) -> None:
        key = make_key(tmp_path / "key.pem")
        assert read_key(tmp_path / "key.pem", "open sesame").fingerprint == key.fingerprint


class TestWhatIsNoKey:
    def test_a_file_that_is_not_there(self, tmp_path: Path) -> None:
        with pytest.raises(SigningError, match="book key"):
            read_key(tmp_path / "none.pem")

    def test_a_text(self, tmp_path: Path) -> None:
        (tmp_path / "key.pem").write_text("a key", "utf-8")
        with pytest.raises(SigningError, match="no private key"):
            read_key(tmp_path / "key.pem")

    def test_a_key_of_another_kind(self, tmp_path: Path) -> None:
        other = rsa.generate_private_key(public_exponent=65537, key_size=2048)
        content = other.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption())
        (tmp_path / "key.pem").write_bytes(content)
        with pytest.raises(SigningError, match="no Ed25519 key"):
            read_key(tmp_path / "key.pem")

    @pytest.mark.parametrize("signature", ["", "no base64!", "AAAA", "=" * 88])
    def test_a_signature_that_is_none_does_not_verify(self, signature: str) -> None:
        assert not is_signed_by(pem_of(PUBLISHED[0][1]), b"", signature)

    @pytest.mark.parametrize("public", ["", "a key", "-----BEGIN PUBLIC KEY-----\nAAAA\n-----END PUBLIC KEY-----\n"])
    def test_a_public_key_that_is_none_is_refused(self, public: str) -> None:
        with pytest.raises(SigningError):
            fingerprint_of(public)


class TestWhatIsSigned:
    REVIEW: ClassVar[dict[str, object]] = {
        "digest": "sha256:00",
        "name": "A. Ivers",
        "meaning": "approved",
        "note": "",
        "at_ms": 1772438400250,
        "zone": "+01:00",
    }

    @pytest.mark.parametrize("name", list(REVIEW))
    def test_every_word_of_a_review_counts(self, name: str) -> None:
        other = {**self.REVIEW, name: 0 if name == "at_ms" else "other"}
        assert review_message(other) != review_message(self.REVIEW)

    def test_a_review_can_not_be_taken_for_a_record(self) -> None:
        assert not review_message(self.REVIEW).startswith(record_message(""))
