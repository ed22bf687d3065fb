"""Texts from strangers: what is put in, and what must be read on the page."""

MARK = "\ufffd"

HOSTILE = {
    "typst panic": ('#panic("x")', '#panic("x")'),
    "typst read": ('#read("/etc/passwd")', '#read("/etc/passwd")'),
    "typst package": ('#import "@preview/a:1.0.0": *', '#import "@preview/a:1.0.0": *'),
    "formula": ("$x$ and $\\frac{1}{2}$", "$x$ and $\\frac{1}{2}$"),
    "emphasis": ("*a* _b_ `c` ~d~", "*a* _b_ `c` ~d~"),
    "heading and list": ("= one\n- two\n+ three\n/ four: five", "= one\n- two\n+ three\n/ four: five"),
    "label": ("<label> @label", "<label> @label"),
    "backslashes": ("a\\b\\\\c\\n\\u{41}", "a\\b\\\\c\\n\\u{41}"),
    "quotes": ("\"a\" 'b' “c”", "\"a\" 'b' “c”"),
    "dashes and arrows": ("a--b---c...d->e 3x4", "a--b---c...d->e 3x4"),
    "script": ("</script><script>alert(1)</script>", "</script><script>alert(1)</script>"),
    "attribute": ("\" onload='alert(1)' x=\"&amp;&#60;", "\" onload='alert(1)' x=\"&amp;&#60;"),
    "jinja expression": ("{{ 7 * 7 }}", "{{ 7 * 7 }}"),
    "jinja statement": ("{% include '/etc/passwd' %}", "{% include '/etc/passwd' %}"),
    "comments": ("a // b /* c */ d", "a // b /* c */ d"),
    "spreadsheet": ("=HYPERLINK(A1)", "=HYPERLINK(A1)"),
    "bidi override": ("abc\u202edef\u2066g", f"abc{MARK}def{MARK}g"),
    "nul": ("a\0b", f"a{MARK}b"),
    "escape sequence": ("\x1b[31mred", f"{MARK}[31mred"),
    "lone surrogate": ("a\ud800b\udcffc", f"a{MARK}b{MARK}c"),
    "emoji": ("wrench \U0001f527 end", f"wrench {MARK} end"),
    "zero width": ("a\u200bb\ufeffc", f"a{MARK}b{MARK}c"),
    "line ends": ("one\ntwo\r\nthree\rfour", "one\ntwo\nthree\nfour"),
    "tab": ("a\tb", "a   b"),
    "greek and cyrillic": ("σ µm Ж ≤ ±3", "σ µm Ж ≤ ±3"),
    "long word": ("Wx3" * 900, "Wx3" * 900),
    "long note": ("some words, " * 250, "some words, " * 250),
}
