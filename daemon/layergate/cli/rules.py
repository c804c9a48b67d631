"""``layergate rules``: the catalogue of rules, and each rule's page, made from its docstring and limits."""

import inspect
import sys
import textwrap

import click

from layergate.preflight.catalogue import LoadedRule, load_rules
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
        width = max(len(rule.identifier) for rule in loaded)
        for rule in loaded:
            click.echo(f"{rule.identifier:<{width}}  {rule.rule.severity:<5}  {summary(rule)}")
        return
    for rule in loaded:
        if rule.identifier == name:
            click.echo(page(rule))
            return
    click.echo(f"layergate: there is no rule {name!r}; `layergate rules` lists them", err=True)
    sys.exit(2)


def summary(rule: LoadedRule) -> str:
    """Give the first sentence of what a rule looks for."""
    text = inspect.cleandoc(rule.rule.__doc__ or "")
    body = text.split("\n", 1)[1] if text.startswith("What it looks for") else text
    return " ".join(textwrap.dedent(body).split("\n\n", 1)[0].split())


def page(rule: LoadedRule) -> str:
    """Give a rule's page as text."""
    release = "may be released by name" if rule.rule.releasable else "can't be released"
    lines = [
        rule.identifier,
        "=" * len(rule.identifier),
        f"{rule.rule.severity} by default; {release}; since {rule.rule.since}; from {rule.distribution} {rule.version}",
        "",
        inspect.cleandoc(rule.rule.__doc__ or ""),
    ]
    fields = rule.rule.limits_model.model_fields
    if fields:
        lines += ["", f"Limits ([rules.{rule.identifier}] in the printer description)"]
        for key, field in fields.items():
            text = f"{key} = {field.default!r}  {field.description or ''}".rstrip()
            lines.append(textwrap.fill(text, 100, initial_indent="    ", subsequent_indent="        "))
    return "\n".join(lines)


COMMANDS = [rules]
