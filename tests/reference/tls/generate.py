"""Writes an authority nobody trusts and a certificate by it for 127.0.0.1, good from 2020 to 2099.

The keys are for tests only and protect nothing. Written with cryptography; run
again it writes other keys that serve the same.
"""

import datetime
import ipaddress
import pathlib

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

HERE = pathlib.Path(__file__).parent
FROM, TO = datetime.datetime(2020, 1, 1), datetime.datetime(2099, 12, 31)


def name(text):
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def certificate(subject, issuer, key, signer, extensions):
    builder = (x509.CertificateBuilder().subject_name(subject).issuer_name(issuer).public_key(key.public_key())
               .serial_number(x509.random_serial_number()).not_valid_before(FROM).not_valid_after(TO))
    for extension, critical in extensions:
        builder = builder.add_extension(extension, critical)
    return builder.sign(signer, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)


authority, receiver = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
issuer = name("an authority of the tests")
(HERE / "authority.pem").write_bytes(certificate(
    issuer, issuer, authority, authority, [(x509.BasicConstraints(ca=True, path_length=None), True)]))
(HERE / "receiver.pem").write_bytes(certificate(
    name("a receiver of the tests"), issuer, receiver, authority,
    [(x509.BasicConstraints(ca=False, path_length=None), True),
     (x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), False),
     (x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), False)]))
(HERE / "receiver.key").write_bytes(receiver.private_bytes(
    serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()))
