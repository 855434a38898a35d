"""A client's answer is found in whatever a mail program saves. Python's email package makes the mails."""

from __future__ import annotations

from email.message import EmailMessage

import pytest
from support.vote_mail import read_answer

from simulator.blind_test.ballot import answer_line, read_answers
from simulator.page.mail_text import texts_of

LINE = answer_line("k3f9m2p7qx", "ABBA" * 30, False)
BODY = f"Grüße!\n\nVote: Which?\n{LINE}\nanswer: 00ff12ab\nname: Zoë\nwords: plus près, “warmer”\n\nBye\n"
HTML = (
    "<!doctype html><html><head><style>p{}</style></head><body><p>Hi</p><blockquote>Vote: Which?<br>"
    f"{LINE.replace(' ', '&nbsp;', 1)}<br>answer: 00ff12ab<br>name: Zo&euml;<br>words: plus pr&egrave;s,\n"
    "“warmer”</blockquote><div>Bye</div></body></html>"
)


def mail(encoding: str, charset: str = "utf-8") -> bytes:
    made = EmailMessage()
    made["From"], made["Subject"] = "z@example.org", "=?utf-8?q?vote?="
    made.set_content(BODY, cte=encoding, charset=charset)
    return made.as_bytes()


def alternatives(*, plain: str) -> bytes:
    made = EmailMessage()
    made["Subject"] = "vote"
    made.set_content(plain, cte="quoted-printable")
    made.add_alternative(HTML, subtype="html", cte="base64")
    return made.as_bytes()


def attached(forwarded: bool) -> bytes:
    made = EmailMessage()
    made["Subject"] = "vote"
    made.set_content("See below.")
    if forwarded:
        inner = EmailMessage()
        inner.set_content(BODY, cte="base64")
        made.add_attachment(inner)
    else:
        made.add_attachment(
            BODY.encode(), maintype="application", subtype="octet-stream", filename="vote-k3f9m2p7qx.txt"
        )
    return made.as_bytes()


FORMS = {
    "text": BODY.encode(),
    "text with a mark": BODY.encode("utf-8-sig"),
    "UTF-16": BODY.encode("utf-16"),
    "UTF-16 LE without a mark": BODY.encode("utf-16-le"),
    "UTF-16 BE without a mark": BODY.encode("utf-16-be"),
    "Windows-1252": BODY.encode("cp1252"),
    "base64": mail("base64"),
    "quoted-printable": mail("quoted-printable"),
    "quoted-printable, Latin": mail("quoted-printable", "cp1252"),
    "line ends of Windows": mail("base64").replace(b"\n", b"\r\n"),
    "text and HTML": alternatives(plain=BODY),
    "HTML alone in the mail": alternatives(plain="This mail needs HTML."),
    "attached file": attached(False),
    "attached mail": attached(True),
    "HTML file": HTML.encode(),
    "HTML file in UTF-16": HTML.encode("utf-16"),
    "mailbox": b"From z Sat Nov 28 10:00:00 2026\n" + mail("base64"),
}


@pytest.mark.parametrize("form", FORMS)
def test_an_answer_is_read_from_every_form_that_mail_programs_save(form: str) -> None:
    found = [
        one for text in texts_of(FORMS[form]) if "fairhearing-vote" in text for one in [read_answer(text)]
    ]
    assert {(one.letters, one.answer, one.name) for one in found} == {("ABBA" * 30, "00ff12ab", "Zoë")}
    assert {one.words for one in found} == {"plus près, “warmer”"}


def test_every_mail_of_a_mailbox_is_read() -> None:
    box = b"".join(b"From z Sat Nov 28 10:00:00 2026\n" + mail("base64") + b"\n" for _ in range(3))
    assert len([text for text in texts_of(box) if LINE in text]) == 3


def test_what_is_hidden_in_no_text_is_no_answer() -> None:
    assert read_answers("".join(texts_of(f"<html><style>{LINE}</style></html>".encode())))[0] == []


def test_a_mail_nested_beyond_reason_is_refused_in_words() -> None:
    head = b"".join(b'Content-Type: multipart/mixed; boundary="b%d"\n\n--b%d\n' % (n, n) for n in range(3000))
    with pytest.raises(ValueError, match="nested too deeply"):
        texts_of(head)


def test_the_page_s_small_file_is_no_mail_and_its_markup_is_words() -> None:
    text = f"Vote: From: Date: MIME-Version: 1.0\n{LINE}\nname: <b>Zoë</b>\n"
    assert texts_of(text.encode()) == [text]
