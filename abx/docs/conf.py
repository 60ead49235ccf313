"""Sphinx configuration: Markdown pages, formulas as MathML, help texts from the commands.

Nothing in the built site comes from another host, so it opens offline from a folder.
"""

from __future__ import annotations

import importlib.metadata
import inspect
from typing import Any, ClassVar

import click
from docutils import nodes  # type: ignore[import-untyped]
from docutils.parsers.rst import Directive  # type: ignore[import-untyped]
from docutils.utils.math.latex2mathml import tex2mathml  # type: ignore[import-untyped]

from abx.cli import COMMANDS, cli
from abx.methods import get_method, method_ids

project = "earwitness"
author = "The earwitness authors"
copyright = author
try:
    release = importlib.metadata.version("earwitness")
except importlib.metadata.PackageNotFoundError:  # built from a checkout that was never installed
    release = "checkout"

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
myst_enable_extensions = ["dollarmath", "deflist"]
myst_heading_anchors = 3
exclude_patterns = ["_build", "README.md"]
nitpicky = True
# Docstrings name types and functions that have no page of their own.
nitpick_ignore_regex = [("py:.*", ".*")]
autodoc_typehints = "none"
napoleon_google_docstring = False
napoleon_use_rtype = False

html_theme = "alabaster"
html_theme_options = {
    "description": "Hear upgrade stages level-matched and blind",
    "fixed_sidebar": True,
    "page_width": "1080px",
    "sidebar_width": "230px",
    "font_family": "system-ui, sans-serif",
    "head_font_family": "system-ui, sans-serif",
    "show_powered_by": False,
}
html_sidebars = {"**": ["about.html", "searchfield.html", "contents.html"]}
html_title = f"earwitness {release}"
templates_path = ["_templates"]
html_static_path = ["_static"]
html_css_files = ["site.css"]
html_math_renderer = "mathml"
html_show_sourcelink = False
html_copy_source = False
html_show_sphinx = False


class CommandHelp(Directive):
    """Show what ``earwitness --help`` prints; with ``each``, a section for every command."""

    optional_arguments: ClassVar[int] = 1

    def run(self) -> list[nodes.Node]:
        """Ask click for the help texts."""
        root = click.Context(cli, info_name="earwitness", max_content_width=88)
        if not self.arguments:
            return [_literal(cli.get_help(root))]
        sections: list[nodes.Node] = []
        for name in COMMANDS:
            command = cli.get_command(root, name)
            assert command is not None
            context = click.Context(command, info_name=name, parent=root, max_content_width=88)
            section = nodes.section(ids=[f"command-{name}"], names=[f"command {name}"])
            section += nodes.title(name, name)
            section += _literal(command.get_help(context))
            sections.append(section)
        return sections


class MethodEntries(Directive):
    """Give each way of asking its section: what its own module says about it."""

    def run(self) -> list[nodes.Node]:
        """Ask the registry for the methods, and each module for its words."""
        sections: list[nodes.Node] = []
        for method_id in method_ids():
            method = get_method(method_id)
            section = nodes.section(ids=[f"method-{method_id}"], names=[f"method {method_id}"])
            section += nodes.title(method.label, method.label)
            words = inspect.getdoc(inspect.getmodule(type(method))) or ""
            for paragraph in words.split("\n\n"):
                text = paragraph.replace("\n", " ").replace("``", "")
                section += nodes.paragraph(text, text)
            facts = "; ".join(method.facts())
            section += nodes.paragraph(facts, facts)
            sections.append(section)
        return sections


def _literal(text: str) -> nodes.literal_block:
    block = nodes.literal_block(text, text)
    block["language"] = "text"
    return block


def _inline_math(writer: Any, node: nodes.math) -> None:
    writer.body.append(tex2mathml(node.astext(), as_block=False))
    raise nodes.SkipNode


def _block_math(writer: Any, node: nodes.math_block) -> None:
    formula = tex2mathml(node.astext(), as_block=True)
    writer.body.append(f'<div class="formula">{formula}</div>\n')
    raise nodes.SkipNode


def setup(app: Any) -> dict[str, bool]:
    """Register the directive and the formulas."""
    app.add_directive("command-help", CommandHelp)
    app.add_directive("method-entries", MethodEntries)
    app.add_html_math_renderer("mathml", (_inline_math, None), (_block_math, None))
    return {"parallel_read_safe": True, "parallel_write_safe": True}
