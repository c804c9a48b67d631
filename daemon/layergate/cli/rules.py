"""``layergate rules``: the catalogue of rules, and each rule's page, made from its docstring and limits."""

import ast
import inspect
import sys
import textwrap
from contextlib import suppress

import click

from layergate.cli.report_text import terminal_width
from layergate.preflight.catalogue import LoadedRule, load_rules
from layergate.preflight.findings import SEVERITIES
from layergate.preflight.rule import RuleError


@click.command("rules")
@click.option("--plug-in", "plug_ins", multiple=True, metavar="NAME", help="List the rules of this distribution, too.")
@click.argument("name", required=False)
def rules(plug_ins: tuple[str, ...], name: str | None) -> None:
    """List the rules, or show the page of one."""
    try:
        loaded = load_rules(plug_ins)
    except RuleError as error:
        click.echo(f"layergate: {error}", err=True)
        sys.exit(2)
    if name is None:
        columns = [(rule.identifier, " or ".join(severities(rule))) for rule in loaded]
        widths = [max(map(len, column)) for column in zip(*columns, strict=True)]
        for (identifier, severity), rule in zip(columns, loaded, strict=True):
            head = f"{identifier:<{widths[0]}}  {severity:<{widths[1]}}  "
            text = head + summary(rule)
            if sys.stdout.isatty():  # elsewhere a rule is a line, for other programs
                text = textwrap.fill(text, terminal_width(), subsequent_indent=" " * len(head), break_on_hyphens=False)
            click.echo(text)
        return
    for rule in loaded:
        if rule.identifier == name:
            click.echo(page(rule, terminal_width()))
            return
    click.echo(f"layergate: there is no rule {name!r}; `layergate rules` lists them", err=True)
    sys.exit(2)


def severities(rule: LoadedRule) -> list[str]:
    """Give every severity that a rule's findings may have, the strongest first: its default, and those its source names."""
    named = {rule.rule.severity}
    with suppress(OSError, TypeError):  # a rule whose source is not at hand shows its default
        tree = ast.parse(textwrap.dedent(inspect.getsource(rule.rule)))
        named |= {node.value for node in ast.walk(tree) if isinstance(node, ast.Constant) and node.value in SEVERITIES}
    return [severity for severity in reversed(SEVERITIES) if severity in named]


def summary(rule: LoadedRule) -> str:
    """Give the first sentence of what a rule looks for."""
    text = _plain(rule)
    body = text.split("\n", 1)[1] if text.startswith("What it looks for") else text
    return " ".join(textwrap.dedent(body).split("\n\n", 1)[0].split())


def page(rule: LoadedRule, width: int = 100) -> str:
    """Give a rule's page as text, filled to a width of columns."""
    release = "may be released by name" if rule.rule.releasable else "what it blocks can't be released"
    lines = [
        rule.identifier,
        "=" * len(rule.identifier),
        f"{' or '.join(severities(rule))}; {release}; since {rule.rule.since}; from {rule.distribution} {rule.version}",
        "",
        _filled(_plain(rule), width),
    ]
    fields = rule.rule.limits_model.model_fields
    if fields:
        lines += ["", f"Limits ([rules.{rule.identifier}] in the printer description)"]
        for key, field in fields.items():
            text = f"{key} = {field.default!r}  {field.description or ''}".rstrip()
            lines.append(textwrap.fill(text, width, initial_indent="    ", subsequent_indent="        "))
    return "\n".join(lines)


def _plain(rule: LoadedRule) -> str:
    """Give a rule's docstring without the marks that only programmers know."""
    return inspect.cleandoc(rule.rule.__doc__ or "").replace("``", "'")


def _filled(text: str, width: int) -> str:
    """Wrap paragraphs to a width; each keeps the indent of its first line, and headings stay lines of their own."""
    out: list[str] = []
    for paragraph in text.split("\n\n"):
        lines = paragraph.splitlines()
        if len(lines) > 1 and lines[1].startswith(" ") and not lines[0].startswith(" "):
            out.append(lines.pop(0))
        indent = " " * (len(lines[0]) - len(lines[0].lstrip())) if lines else ""
        body = " ".join(line.strip() for line in lines)
        out.append(textwrap.fill(body, width, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False))
        out.append("")
    return "\n".join(out[:-1])


COMMANDS = [rules]
