"""Markdown cells -> Typst code. Text becomes string literals; none of it is read as markup."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, cast

import mistune
from mistune.core import BaseRenderer, BlockState

from probetest.report.characters import clean

Token = dict[str, Any]

_ESCAPES = str.maketrans({"\\": r"\\", '"': r"\"", "\n": r"\n", "\r": r"\r", "\t": r"\t"})


def string_literal(text: str) -> str:
    r"""Return a Typst string literal.

    Examples
    --------
    >>> print(string_literal('#panic("x")'))
    "#panic(\"x\")"
    """
    return f'"{clean(text).text.translate(_ESCAPES)}"'


def markdown_to_typst(source: str) -> str:
    r"""Return Typst code (not markup) that draws a markdown text.

    Headings, paragraphs, emphasis, inline code and code blocks, lists, quotes and rules are
    drawn. A link is drawn as its text and address and can't be followed; an image as its
    description and address, no file is read. HTML is shown as it stands.

    Examples
    --------
    >>> print(markdown_to_typst("Spread *and* $x$"))
    passage({shown("Spread "); emph({shown("and")}); shown(" $x$")})
    """
    markdown = mistune.create_markdown(renderer=TypstRenderer(), plugins=[])
    return cast(str, markdown(source))


class TypstRenderer(BaseRenderer):
    """Write the tokens of mistune as Typst code; ``shown`` and ``coded`` are in the template."""

    NAME = "typst"

    def render_tokens(self, tokens: Iterable[Token], state: BlockState) -> str:
        """Join the parts of a sequence so that Typst joins their contents."""
        parts = (self.render_token(token, state) for token in tokens)
        return "; ".join(part for part in parts if part)

    def _children(self, token: Token, state: BlockState) -> str:
        parts = self.render_tokens(token["children"], state)
        return "{" + parts + "}" if parts else "[]"

    def text(self, token: Token, state: BlockState) -> str:  # noqa: ARG002
        """Draw text as it stands."""
        return f"shown({string_literal(token['raw'])})"

    inline_html = text

    def emphasis(self, token: Token, state: BlockState) -> str:
        """Draw in italic."""
        return f"emph({self._children(token, state)})"

    def strong(self, token: Token, state: BlockState) -> str:
        """Draw in semibold."""
        return f"strong({self._children(token, state)})"

    def codespan(self, token: Token, state: BlockState) -> str:  # noqa: ARG002
        """Draw in the fixed-width face."""
        return f"coded({string_literal(token['raw'])})"

    def link(self, token: Token, state: BlockState) -> str:
        """Draw the text, then the address if it says anything new."""
        url = token["attrs"]["url"]
        children = token["children"]
        if len(children) == 1 and children[0].get("raw") == url:
            return self.render_tokens(children, state)
        return f"{self.render_tokens(children, state)}; shown({string_literal(f' ({url})')})"

    image = link

    def linebreak(self, token: Token, state: BlockState) -> str:  # noqa: ARG002
        """Start a new line."""
        return "linebreak()"

    def softbreak(self, token: Token, state: BlockState) -> str:  # noqa: ARG002
        """Draw a space."""
        return '" "'

    def blank_line(self, token: Token, state: BlockState) -> str:  # noqa: ARG002
        """Draw nothing."""
        return ""

    def paragraph(self, token: Token, state: BlockState) -> str:
        """Draw a paragraph, kept on the page of what it introduces."""
        return f"passage({self._children(token, state)})"

    def block_text(self, token: Token, state: BlockState) -> str:
        """Draw the text of a tight list item."""
        return self.render_tokens(token["children"], state)

    def heading(self, token: Token, state: BlockState) -> str:
        """Draw a heading of level 1 to 6."""
        return f"heading(level: {int(token['attrs']['level'])}, {self._children(token, state)})"

    def thematic_break(self, token: Token, state: BlockState) -> str:  # noqa: ARG002
        """Draw a thin rule."""
        return "rule()"

    def block_code(self, token: Token, state: BlockState) -> str:  # noqa: ARG002
        """Draw lines of code."""
        return f"code-block({string_literal(token['raw'].rstrip())})"

    block_html = block_code

    def block_error(self, token: Token, state: BlockState) -> str:  # noqa: ARG002
        """Draw what the parser could not place, as it stands."""
        return f"shown({string_literal(str(token.get('raw', '')))})"

    def block_quote(self, token: Token, state: BlockState) -> str:
        """Draw indented."""
        return f"quote(block: true, {self._children(token, state)})"

    def list(self, token: Token, state: BlockState) -> str:
        """Draw a bulleted or numbered list."""
        items = "".join(f", {self._children(item, state)}" for item in token["children"])
        tight = "true" if token["tight"] else "false"
        if token["attrs"]["ordered"]:
            return f"enum(tight: {tight}, start: {int(token['attrs'].get('start', 1))}{items})"
        return f"list(tight: {tight}{items})"
