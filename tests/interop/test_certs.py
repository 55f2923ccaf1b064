"""OpenSSL reads what `portproof certs` made, and says of each certificate what the list says."""

import json
import unittest
from pathlib import Path

from ring import command, folder, portproof

# X509_V_ERR_* of OpenSSL's x509_vfy.h, as `openssl verify` prints them.
REFUSALS = {
    "expired": "error 10 ",
    "not-yet-valid": "error 9 ",
    "wrong-usage": "error 26 ",
    "revoked": "error 23 ",
    "unknown-issuer": "error 20 ",
}


class Certs(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.holder = folder()
        cls.addClassCleanup(cls.holder.cleanup)
        cls.home = Path(cls.holder.name) / "certs"
        portproof("certs", cls.home, "--machine", "till-1", "--person", "clerk")
        cls.list = json.loads((cls.home / "manifest.json").read_text())

    def verify(self, entry):
        host = []
        if entry["role"] == "server":
            host = ["-verify_hostname", self.list["server_name"]]
        return command(
            "openssl", "verify", "-x509_strict",
            "-purpose", "sslserver" if entry["role"] == "server" else "sslclient",
            "-CAfile", self.list["authority"],
            "-untrusted", entry["certificate"],
            "-crl_check_all", "-CRLfile", self.list["revocation_list"],
            *host, entry["certificate"],
            cwd=self.home, check=False,
        )

    def test_each_certificate_gets_the_verdict_of_the_list(self):
        self.assertEqual(len(self.list["entries"]), 3 * 8)
        for entry in self.list["entries"]:
            said = self.verify(entry)
            with self.subTest(entry["certificate"], said=said):
                expected = REFUSALS.get(entry["variant"])
                if entry["variant"] == "wrong-name" and entry["role"] == "server":
                    expected = "error 62 "  # hostname mismatch
                if expected is None:
                    self.assertIn(": OK", said)
                else:
                    self.assertIn(expected, said)

    def test_pkcs12_files_open_and_hold_the_key_of_their_certificate(self):
        for entry in self.list["entries"]:
            if entry["role"] == "server":
                continue
            bundle = entry["pkcs12"]
            opened = ("openssl", "pkcs12", "-in", bundle, "-passin", "pass:bench-only", "-nodes")
            with self.subTest(bundle):
                key = command(*opened, "-nocerts", cwd=self.home)
                self.assertIn("PRIVATE KEY", key)
                (self.home / "opened.key").write_text(key)
                public = command("openssl", "pkey", "-in", "opened.key", "-pubout", cwd=self.home)
                named = command(
                    "openssl", "x509", "-in", entry["certificate"], "-noout", "-pubkey",
                    cwd=self.home,
                )
                self.assertEqual(public, named)
                chain = command(*opened, "-nokeys", cwd=self.home)
                self.assertIn("(bench only)", chain)
                refused = command(
                    "openssl", "pkcs12", "-in", bundle, "-passin", "pass:other", "-noout",
                    cwd=self.home, check=False,
                )
                self.assertIn("invalid password", refused)

    def test_names_are_in_the_forms_that_peers_look_for(self):
        def names(path):
            return command(
                "openssl", "x509", "-in", path, "-noout", "-ext", "subjectAltName", cwd=self.home
            )

        self.assertIn("DNS:radius.lantern-quay.example", names("server/good.pem"))
        self.assertIn("DNS:till-1.lantern-quay.example", names("machine/till-1/good.pem"))
        person = names("person/clerk/good.pem")
        self.assertIn("email:clerk@lantern-quay.example", person)
        self.assertRegex(person, r"UPN:+clerk@lantern-quay\.example")

    def test_nothing_is_overwritten_unasked(self):
        before = (self.home / "ca/bench-ca.key").read_bytes()
        portproof("certs", self.home, code=2)
        self.assertEqual((self.home / "ca/bench-ca.key").read_bytes(), before)


if __name__ == "__main__":
    unittest.main()
