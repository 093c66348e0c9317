#!/usr/bin/env python3
"""Writes tokens.json: tokens made by PyJWT with keys that standards publish.

    python3 -m venv venv && venv/bin/pip install PyJWT==2.15.1 cryptography==50.0.2
    venv/bin/python tests/reference/generate_tokens.py [--check]

The keys are those of RFC 7515 appendix A.2 (RSA, 2048 bits) and A.3 (P-256), and
of RFC 8037 appendix A.1 (Ed25519); their private halves stand in these documents,
so nobody may ever be let in by them. Each is checked against the signature that
its document prints before anything is written. `second` and `small` are RSA keys
from a fixed stream of numbers, for keys that come and go and that are too short.
Signatures by ES256 and PS256 hold a random number and differ from run to run; all
else is the same.
"""

import base64
import hashlib
import json
import pathlib
import sys

import cryptography
import jwt
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

NOW = 1_900_000_000  # 2030-03-17T17:46:40Z
RSA_N = (
    "ofgWCuLjybRlzo0tZWJjNiuSfb4p4fAkd_wWJcyQoTbji9k0l8W26mPddxHmfHQp-Vaw-4qPCJrcS2mJPMEzP1Pt0Bm4d4QlL-yR"
    "T-SFd2lZS-pCgNMsD1W_YpRPEwOWvG6b32690r2jZ47soMZo9wGzjb_7OMg0LOL-bSf63kpaSHSXndS5z5rexMdbBYUsLA9e-KXB"
    "dQOS-UTo7WTBEMa2R2CapHg665xsmtdVMTBQY4uDZlxvb3qCo5ZwKh9kG4LT6_I5IhlJH7aGhyxXFvUK-DWNmoudF8NAco9_h9ia"
    "GNj8q2ethFkMLs91kzk2PAcDTW9gb54h4FRWyuXpoQ"
)
RSA_D = (
    "Eq5xpGnNCivDflJsRQBXHx1hdR1k6Ulwe2JZD50LpXyWPEAeP88vLNO97IjlA7_GQ5sLKMgvfTeXZx9SE-7YwVol2NXOoAJe46su"
    "i395IW_GO-pWJ1O0BkTGoVEn2bKVRUCgu-GjBVaYLU6f3l9kJfFNS3E0QbVdxzubSu3Mkqzjkn439X0M_V51gfpRLI9JYanrC4D4"
    "qAdGcopV_0ZHHzQlBjudU2QvXt4ehNYTCBr6XCLQUShb1juUO1ZdiYoFaFQT5Tw8bGUl_x_jTj3ccPDVZFD9pIuhLhBOneufuBiB"
    "4cS98l2SR_RQyGWSeWjnczT0QU91p1DhOVRuOopznQ"
)
EC_X = "f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU"
EC_Y = "x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0"
EC_D = "jpsQnnGQmL-YBIffH1136cspYG6-0iY7X1fCE9-E9LI"
ED_X = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"
ED_D = "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A"

# The worked examples: header and payload as they stand in the documents.
RFC7515_PAYLOAD = (
    "eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ"
)
EXAMPLES = {
    "RFC 7515 A.1": (
        "eyJ0eXAiOiJKV1QiLA0KICJhbGciOiJIUzI1NiJ9." + RFC7515_PAYLOAD
        + ".dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk"
    ),
    "RFC 7515 A.2": (
        "eyJhbGciOiJSUzI1NiJ9." + RFC7515_PAYLOAD
        + ".cC4hiUPoj9Eetdgtv3hF80EGrhuB__dzERat0XF9g2VtQgr9PJbu3XOiZj5RZmh7AAuHIm4Bh-0Qc_lF5YKt_O8W2Fp5"
        "jujGbds9uJdbF9CUAr7t1dnZcAcQjbKBYNX4BAynRFdiuB--f_nZLgrnbyTyWzO75vRK5h6xBArLIARNPvkSjtQBMHlb1L07"
        "Qe7K0GarZRmB_eSN9383LcOLn6_dO--xi12jzDwusC-eOkHWEsqtFZESc6BfI7noOPqvhJ1phCnvWh6IeYI2w9QOYEUipUTI"
        "8np6LbgGY9Fs98rqVt5AXLIhWkWywlVmtVrBp0igcN_IoypGlUPQGe77Rw"
    ),
    "RFC 7515 A.3": (
        "eyJhbGciOiJFUzI1NiJ9." + RFC7515_PAYLOAD
        + ".DtEhU3ljbEg8L38VWAfUAqOyKAM6-Xx-F4GawxaepmXFCgfTjDxw5djxLa8ISlSApmWQxfKTUJqPP3-Kg6NU1Q"
    ),
    "RFC 8037 A.4": (
        "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc"
        ".hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"
    ),
    "RFC 7519 6.1": (
        "eyJhbGciOiJub25lIn0.eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0cnVlfQ."
    ),
}


def octets(text):
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def number(text):
    return int.from_bytes(octets(text), "big")


def encoded(value):
    if isinstance(value, int):
        value = value.to_bytes((value.bit_length() + 7) // 8, "big")
    return base64.urlsafe_b64encode(value).rstrip(b"=").decode()


def rsa_key(n, e, d):
    p, q = rsa.rsa_recover_prime_factors(n, e, d)
    public = rsa.RSAPublicNumbers(e, n)
    return rsa.RSAPrivateNumbers(
        p, q, d, rsa.rsa_crt_dmp1(d, p), rsa.rsa_crt_dmq1(d, q), rsa.rsa_crt_iqmp(p, q), public
    ).private_key()


def is_prime(n):
    if any(n % small == 0 for small in (3, 5, 7, 11, 13, 17, 19, 23)):
        return False
    odd, twos = n - 1, 0
    while odd % 2 == 0:
        odd, twos = odd // 2, twos + 1
    for base in (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47):
        x = pow(base, odd, n)
        if x in (1, n - 1):
            continue
        if not any((x := x * x % n) == n - 1 for _ in range(twos - 1)):
            return False
    return True


def prime(seed, bits):
    count = 0
    while True:
        stream = b"".join(hashlib.sha256(f"{seed}/{count}/{i}".encode()).digest() for i in range(bits // 256))
        candidate = int.from_bytes(stream, "big") | 3 << (bits - 2) | 1
        if candidate % 65537 != 1 and is_prime(candidate):
            return candidate
        count += 1


def seeded(seed, bits):
    p, q = prime(seed + " p", bits // 2), prime(seed + " q", bits // 2)
    return rsa_key(p * q, 65537, pow(65537, -1, (p - 1) * (q - 1)))


def rsa_jwk(key, kid, **more):
    public = key.public_key().public_numbers()
    return {"kty": "RSA", "kid": kid, "n": encoded(public.n), "e": encoded(public.e), **more}


CLAIMS = {
    "iss": "https://login.example",
    "aud": "drykeep",
    "sub": "ada",
    "iat": NOW - 60,
    "exp": NOW + 600,
    "scope": "facility:read",
    "groups": ["glovebox-users", "choir"],
}


def main():
    keys = {
        "rsa": rsa_key(number(RSA_N), 65537, number(RSA_D)),
        "ec": ec.derive_private_key(number(EC_D), ec.SECP256R1()),
        "ed": Ed25519PrivateKey.from_private_bytes(octets(ED_D)),
        "second": seeded("second", 2048),
        "small": seeded("small", 1024),
    }
    algorithms = {"rsa": "RS256", "ec": "ES256", "ed": "EdDSA", "second": "RS256", "small": "RS256"}
    check_against_the_documents(keys)
    jwks = {
        "rsa": rsa_jwk(keys["rsa"], "rsa", use="sig", alg="RS256"),
        "ec": {"kty": "EC", "crv": "P-256", "kid": "ec", "x": EC_X, "y": EC_Y},
        "ed": {"kty": "OKP", "crv": "Ed25519", "kid": "ed", "x": ED_X},
        "second": rsa_jwk(keys["second"], "second", key_ops=["verify"]),
        "small": rsa_jwk(keys["small"], "small"),
    }
    tokens = {}

    def make(name, key, claims=CLAIMS, algorithm=None, **headers):
        headers = {"kid": key, "typ": "at+jwt", **headers}
        headers = {header: value for header, value in headers.items() if value is not None}
        tokens[name] = jwt.encode(claims, keys[key], algorithm or algorithms[key], headers)

    for key in keys:
        make(key, key)
    make("rsa as JWT", "rsa", typ="JWT")
    make("rsa without kid", "rsa", kid=None)
    make("rsa named ec", "rsa", kid="ec")
    make("rsa by second", "second", kid="rsa")
    for algorithm in ["RS384", "RS512", "PS256"]:
        make(f"rsa {algorithm}", "rsa", algorithm=algorithm)
    # A key of the sender's own, offered in every way that RFC 7515 §4.1 knows.
    own = rsa_jwk(keys["second"], "rsa")
    make("embedded jwk", "second", kid="rsa", jwk=own)
    make("embedded jwk without kid", "second", kid=None, jwk=own)
    make("embedded x5c", "second", kid="rsa", x5c=[base64.b64encode(
        keys["second"].public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)).decode()])
    make("elsewhere", "rsa", {**CLAIMS, "iss": "https://other.example"})
    public = keys["rsa"].public_key()
    # What a public key looks like to whoever takes it for a secret (RFC 8725 §2.1).
    as_secret = [
        public.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo),
        public.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).strip(),
        public.public_bytes(Encoding.PEM, PublicFormat.PKCS1),
        public.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo),
        public.public_bytes(Encoding.DER, PublicFormat.PKCS1),
        octets(RSA_N),
        RSA_N.encode(),
        json.dumps(jwks["rsa"]).encode(),
        json.dumps(jwks["rsa"], separators=(",", ":")).encode(),
        json.dumps({"keys": [jwks["rsa"]]}).encode(),
    ]
    document = {
        "generator": "tests/reference/generate_tokens.py",
        "versions": {"PyJWT": jwt.__version__, "cryptography": cryptography.__version__},
        "now": NOW,
        "keys": jwks,
        "tokens": tokens,
        "examples": EXAMPLES,
        "as_secret": [encoded(secret) for secret in as_secret],
    }
    path = pathlib.Path(__file__).with_name("tokens.json")
    if "--check" in sys.argv:
        committed = json.loads(path.read_text())
        for name, key, algorithm in [("ec", "ec", "ES256"), ("rsa PS256", "rsa", "PS256")]:
            token = committed["tokens"][name]
            assert jwt.decode(token, keys[key].public_key(), [algorithm], audience="drykeep",
                              options={"verify_exp": False, "verify_iat": False}) == CLAIMS
            document["tokens"][name] = token
        assert document == committed, "the file is not what this would write"
        return
    path.write_text(json.dumps(document, indent=1) + "\n")


def check_against_the_documents(keys):
    """The keys above are those of the documents: they fit the signatures printed there."""
    plain = jwt.PyJWS()
    for name, key, algorithm in [("RFC 7515 A.2", "rsa", "RS256"), ("RFC 7515 A.3", "ec", "ES256"),
                                 ("RFC 8037 A.4", "ed", "EdDSA")]:
        plain.decode(EXAMPLES[name], keys[key].public_key(), [algorithm])
    public = keys["ec"].public_key().public_numbers()
    assert (encoded(public.x), encoded(public.y)) == (EC_X, EC_Y)
    assert plain.decode(EXAMPLES["RFC 7515 A.1"], octets(
        "AyM1SysPpbyDfgZld3umj1qzKObwVMkoqQ-EstJQLr_T-1qS0gZH75aKtMN3Yj0iPS4hcgUuTwjAzZr1Z9CAow"), ["HS256"])


if __name__ == "__main__":
    main()
