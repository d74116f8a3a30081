"""The tester's words: a small part of Markdown, nothing active."""

import html5lib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from brickbook.publish.markdown import markdown_html


@pytest.mark.parametrize(
    ("text", "html"),
    [
        # the forms are those of CommonMark 0.31 (paragraphs 4.8, lists 5.2-5.3, emphasis 6.2, code spans 6.1, headings 4.2)
        ("one\ntwo\n\nthree", "<p>one\ntwo</p>\n<p>three</p>"),
        ("- a\n- b\n  more", "<ul><li>a</li><li>b\nmore</li></ul>"),
        ("1. a\n2) b", "<ol><li>a</li><li>b</li></ol>"),
        ("*a* and **b** and _c_", "<p><em>a</em> and <strong>b</strong> and <em>c</em></p>"),
        ("`<b>*x*`", "<p><code>&lt;b&gt;*x*</code></p>"),
        ("## Noise ##\ntext", "<h3>Noise</h3>\n<p>text</p>"),
        ("text\n- item", "<p>text</p>\n<ul><li>item</li></ul>"),
        ("no_load_power and 2*3*4", "<p>no_load_power and 2*3*4</p>"),
        ("", ""),
    ],
)
def test_forms(text, html):
    assert str(markdown_html(text)) == html


@pytest.mark.parametrize(
    "text",
    ["<script>alert(1)</script>", "[x](javascript:alert(1))", "<img src=x onerror=alert(1)>", "![x](http://a/b.png)"],
)
def test_nothing_becomes_active(text):
    page = html5lib.parse(str(markdown_html(text)), namespaceHTMLElements=False)
    assert [e.tag for e in page.iter()] == ["html", "head", "body", "p"]
    assert page.find(".//p").text == text


@given(st.text(alphabet=st.sampled_from(list("*_`#- 1.\n<>&\"'ab\u202e\x00")), max_size=60))
def test_any_text_gives_only_the_few_elements(text):
    page = html5lib.parse(str(markdown_html(text)), namespaceHTMLElements=False)
    allowed = {"html", "head", "body", "p", "ul", "ol", "li", "em", "strong", "code", "h3"}
    assert {e.tag for e in page.iter()} <= allowed
    assert all(not e.attrib for e in page.iter())


def test_heading_level_is_held():
    with pytest.raises(ValueError):
        markdown_html("x", heading_level=7)
