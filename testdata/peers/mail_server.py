"""A mail server of aiosmtpd, the independent peer of the tests.

usage: mail_server.py PORT CERTIFICATE.pem KEY.pem

Asks for STARTTLS before anything else and for sign-in as "shop" with "hush hush".
Prints "ready" when it listens, then each mail as a line of JSON: from, to, whether
it came encrypted, and what Python's email package reads in it (headers as they
are meant, the text, and what it finds wrong).
"""
import email
import email.policy
import json
import ssl
import sys

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult


def authenticate(server, session, envelope, mechanism, data):
    good = (data.login, data.password) == (b"shop", b"hush hush")
    return AuthResult(success=good, handled=False)


class Printer:
    async def handle_DATA(self, server, session, envelope):
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        print(json.dumps({
            "from": envelope.mail_from,
            "to": envelope.rcpt_tos,
            "encrypted": session.ssl is not None,
            "names": mail.keys(),
            "subject": mail["Subject"],
            "id": mail["Message-ID"],
            "date": mail["Date"].datetime.timestamp(),
            "type": mail.get_content_type(),
            "text": mail.get_content(),
            "defects": [str(d) for part in mail.walk() for d in part.defects],
        }), flush=True)
        return "250 taken"


context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain(sys.argv[2], sys.argv[3])
controller = Controller(Printer(), hostname="127.0.0.1", port=int(sys.argv[1]), tls_context=context,
                        require_starttls=True, authenticator=authenticate, auth_required=True)
controller.start()
print("ready", flush=True)
sys.stdin.read()  # until the test is over
controller.stop()
