"""What `allauth.mfa` asks of us: how its secrets are kept, and what a passkey is called by."""

from __future__ import annotations

import base64
from hashlib import sha256
from typing import Final

from allauth.core import context
from allauth.mfa.adapter import DefaultMFAAdapter
from cryptography.fernet import Fernet
from django.conf import settings
from django.contrib.auth.base_user import AbstractBaseUser

ISSUER: Final = "Jambwise"


class Adapter(DefaultMFAAdapter):  # type: ignore[misc]  # allauth has no types
    """Secrets are encrypted by the secret key, so that a copy of the database alone makes no codes."""

    def encrypt(self, text: str) -> str:
        return _box().encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        return _box().decrypt(encrypted_text.encode()).decode()

    def get_totp_issuer(self) -> str:
        return ISSUER

    def _get_user_identifier(self, user: AbstractBaseUser) -> str:
        return user.get_username()

    def get_public_key_credential_rp_entity(self) -> dict[str, str]:
        return {"id": context.request.get_host().partition(":")[0], "name": ISSUER}


def _box() -> Fernet:
    return Fernet(base64.urlsafe_b64encode(sha256(b"second step " + settings.SECRET_KEY.encode()).digest()))
