"""Make script and style small for one file: no remarks, no space that means nothing.

Names stay, and line ends that may end a statement.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

__all__ = ["lean_script", "lean_style"]

_TOKEN = re.compile(
    r"""(?P<remark>//[^\n]*|/\*.*?\*/)
    |(?P<text>'(?:\\.|[^'\\\n])*'|"(?:\\.|[^"\\\n])*")
    |(?P<space>\s+)
    |(?P<word>[\w$]+)
    |(?P<sign>.)""",
    re.DOTALL | re.VERBOSE,
)
_PATTERN = re.compile(r"/(?:\\.|\[(?:\\.|[^\]\\\n])*\]|[^/\\\[\n])+/[a-z]*")
_TEMPLATE = re.compile(r"(?:\\.|\$(?!\{)|[^`\\$])*", re.DOTALL)
#: A slash behind one of these begins a pattern; behind anything else it divides.
_BEFORE_PATTERN = frozenset("(,=:[!&|?{};>+-*%~^") | {"", "return"}
#: A line end behind one of these, or in front of one, is not needed to end a statement.
_OPEN, _SHUT = frozenset("([{,;"), frozenset(")]},")


def lean_script(text: str) -> str:
    """A script with the same tokens, and each line end that may end a statement.

    Parameters
    ----------
    text : str
        JavaScript.
    """
    out: list[str] = []
    gap, last = "", ""
    for token in _tokens(text):
        if token.isspace():
            gap = "\n" if "\n" in gap + token else " "
            continue
        if gap == "\n" and not (last[-1:] in _OPEN or token[0] in _SHUT):
            out.append(gap)
        elif gap and _needs_space(last, token):
            out.append(" ")
        out.append(token)
        gap, last = "", token
    return "".join(out)


def _needs_space(before: str, after: str) -> bool:
    """Whether two tokens would read as one."""
    a, b = before[-1:], after[0]
    words = (a.isalnum() or a in "_$") and (b.isalnum() or b in "_$")
    return words or (a == b and a in "+-") or a + b in ("//", "/*")


def _tokens(text: str) -> Iterator[str]:
    """Tokens and the space between them; a remark is space."""
    at, last = 0, ""
    while at < len(text):
        if text[at] == "`":
            end = _template_end(text, at)
            token, kind = text[at:end], "text"
        elif text[at] == "/" and text[at + 1 : at + 2] not in "/*" and last in _BEFORE_PATTERN:
            found = _PATTERN.match(text, at)
            if found is None:
                raise ValueError(f"a pattern has no end: {text[at : at + 20]!r}")
            token, kind = found[0], "text"
        else:
            found = _TOKEN.match(text, at)
            assert found is not None
            token, kind = found[0], str(found.lastgroup)
        at += len(token)
        if kind == "remark":
            token, kind = "\n" if "\n" in token else " ", "space"
        if kind != "space":
            last = token
        yield token


def _template_end(text: str, start: int) -> int:
    """Where a template that begins here ends; texts in it may hold templates."""
    at = start + 1
    while True:
        found = _TEMPLATE.match(text, at)
        assert found is not None
        at = found.end()
        if text[at : at + 1] == "`":
            return at + 1
        if text[at : at + 2] != "${":
            raise ValueError(f"a template has no end: {text[start : start + 20]!r}")
        depth, at = 0, at + 1
        for token in _tokens(text[at:]):
            at += len(token)
            depth += (token == "{") - (token == "}")
            if not depth:
                break


def lean_style(text: str) -> str:
    """A style with the same rules.

    Parameters
    ----------
    text : str
        CSS without texts that hold ``/*``.
    """
    bare = re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
    bare = re.sub(r"[ \t]+", " ", bare)
    bare = re.sub(r" ?([{};,]) ?", r"\1", bare)
    bare = re.sub(r"(?<=[\w-]): ", ":", bare)
    return "\n".join(line.strip() for line in bare.splitlines() if line.strip())
