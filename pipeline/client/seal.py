"""The seal of an answer: does it come from a page that was sent, unchanged?

Each shortlist has a random key that travels inside its page. The page seals its answer
with HMAC-SHA-256 (RFC 2104, FIPS 180-4) under that key. A seal shows that the answer
was made with that page and not altered on the way; not who held the page.
"""

import hashlib
import hmac
import json

from pipeline.client.answer import Answer


def sealed_text(answer: Answer) -> str:
    """Text of an answer that its seal covers.

    Parameters
    ----------
    answer : Answer
        The answer; its `seal` is not part of the text.

    Returns
    -------
    str
        A compact JSON array that the page builds in the same order.
    """
    remarks = [[one.option, one.at_ms, one.text] for one in answer.comments]
    parts = [
        answer.format,
        answer.shortlist,
        answer.by,
        answer.saved,
        answer.blind,
        list(answer.order),
        remarks,
    ]
    return json.dumps(parts, ensure_ascii=False, separators=(",", ":"))


def seal(text: str, key: str) -> str:
    """Seal a text.

    Parameters
    ----------
    text : str
        What is sealed.
    key : str
        The shortlist's key, hexadecimal digits.

    Returns
    -------
    str
        64 hexadecimal digits. Half of a surrogate pair is a `ValueError`.
    """
    content = text.encode("utf-8")
    return hmac.new(bytes.fromhex(key), content, hashlib.sha256).hexdigest()


def is_sealed(answer: Answer, key: str) -> bool:
    """Check the seal of an answer.

    Parameters
    ----------
    answer : Answer
        The answer.
    key : str
        The shortlist's key.

    Returns
    -------
    bool
        False also for text that no page could have written.
    """
    try:
        expected = seal(sealed_text(answer), key)
    except ValueError:
        return False
    return hmac.compare_digest(expected, answer.seal)
