"""Slips on the command line in passim's one line: what, what it got, what it wanted, what to try.

Options take their types from here (`NUMBER`, `WHOLE`, `WholeBetween`, `OneOf`), because click's own types keep
what they got out of their refusals. What click itself finds wrong is worded by `in_one_line`.
"""

from __future__ import annotations

import difflib
import re
from abc import ABC, abstractmethod
from collections.abc import Iterable
from typing import Any, NoReturn

import click

_ALIKE = 0.7
_EXTRA = re.compile(r"unexpected extra arguments? \((.*)\)$", re.DOTALL)


class _WordedType(click.ParamType[Any], ABC):
    """A type that says in its refusal what it got and what it wanted."""

    @property
    @abstractmethod
    def wanted(self) -> str:
        """What values there are, in words."""

    def example(self, value: str) -> str:
        """Return a value that would do; empty where none suggests itself."""
        return ""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            self._refuse(value, param, ctx)

    def _refuse(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> NoReturn:
        from passim.errors import InputError

        name = _name(param)
        if ctx is not None and any(value in each.opts for each in ctx.command.params):
            # The next option stands where the value should.
            raise click.BadOptionUsage(name, "it requires a value", ctx)
        example = self.example(str(value))
        if not example and param is not None and isinstance(param.default, (int, float)):
            example = f"{param.default:g}"
        try_next = f"{name} {example}" if example else f"{ctx.command_path if ctx else 'passim'} --help"
        raise InputError(name, got=value, wanted=self.wanted, try_next=try_next) from None


class _Number(_WordedType, click.types.FloatParamType):
    wanted = "a number"

    def example(self, value: str) -> str:
        """Return the number with a point, where that is all that is wrong with it."""
        pointed = value.replace(",", ".")
        try:
            return f"{float(pointed):g}"
        except ValueError:
            return ""


class _Whole(_WordedType, click.types.IntParamType):
    wanted = "a whole number"

    def example(self, value: str) -> str:
        """Return the whole number nearest to the one given."""
        try:
            return f"{float(value):.0f}"
        except (ValueError, OverflowError):
            return ""


class WholeBetween(_WordedType, click.IntRange):
    """A whole number from `min` on, up to `max` where there is one."""

    @property
    def wanted(self) -> str:
        """The range in words."""
        if self.max is None:
            return f"a whole number, {self.min} or more"
        return f"a whole number from {self.min} to {self.max}"

    def example(self, value: str) -> str:
        """Return the number of the range that is nearest to the one given."""
        try:
            number = round(float(value))
        except (ValueError, OverflowError):
            return ""
        low, high = self.min, self.max
        number = number if low is None else max(number, int(low))
        return str(number if high is None else min(number, int(high)))


class OneOf(_WordedType, click.Choice[str]):
    """One of some words."""

    @property
    def wanted(self) -> str:
        """The words."""
        *others, last = self.choices
        return f"{', '.join(others)} or {last}"

    def example(self, value: str) -> str:
        """Return the word most like the one given."""
        return _nearest(value, self.choices) or self.choices[0]


NUMBER, WHOLE = _Number(), _Whole()


class Commands(click.Group):
    """A group that says which of its commands may be meant by a name that none of them has."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command that is named. Raises InputError."""
        name = args[0]
        if self.get_command(ctx, name) is None and not name.startswith("-"):
            from passim.errors import InputError

            near = _nearest(name, self.list_commands(ctx))
            raise InputError(
                "command",
                got=name,
                wanted=f"one of those that {ctx.command_path} --help lists",
                try_next=f"{ctx.command_path} {near}" if near else "",
            )
        return super().resolve_command(ctx, args)


def in_one_line(error: click.UsageError) -> str:
    """Return what click, or a command, finds wrong with the options, in one line."""
    path = error.ctx.command_path if error.ctx else "passim"
    if isinstance(error, click.NoSuchOption):
        options = [name for param in error.ctx.command.params for name in param.opts] if error.ctx else []
        near = _nearest(error.option_name, options)
        return f"option; got '{error.option_name}'; wanted one that {path} --help lists" + (
            f"; try {near}" if near else ""
        )
    if isinstance(error, click.MissingParameter):
        name = _name(error.param)
        wanted = (getattr(error.param, "help", None) or error.param.metavar or "a value") if error.param else "a value"
        return f"{name}; got nothing; wanted {wanted[:1].lower()}{wanted[1:].rstrip('.')}; try {path} --help"
    if isinstance(error, click.BadOptionUsage):
        # Click has one error for both, and no context by then.
        flag = "not take" in error.message
        got, wanted = ("a value", "none, as it is a switch") if flag else ("nothing after it", "a value")
        return f"{error.option_name}; got {got}; wanted {wanted}; try {error.option_name}{'' if flag else ' VALUE'}"
    # Nor has it a class for arguments that no command takes.
    if error.ctx is not None and (extra := _EXTRA.search(error.message)) is not None:
        taken = [_name(param) for param in error.ctx.command.params if isinstance(param, click.Argument)]
        wanted = f"{' '.join(taken)} and options" if taken else "options alone"
        got = " ".join(extra[1].split())
        meant = f"--{got.partition(' ')[0]}"
        try_next = meant if any(meant in param.opts for param in error.ctx.command.params) else f"{path} --help"
        return f"argument; got '{got}'; wanted {wanted}; try {try_next}"
    return f"{error.format_message().rstrip('.')}. Try {path} --help."


def _name(param: click.Parameter | None) -> str:
    """Return an option as it is written: "--minutes"; an argument by what stands for it in the help."""
    if param is None:
        return "value"
    if isinstance(param, click.Option):
        return max(param.opts, key=len)
    return str(param.human_readable_name)


def _nearest(name: str, names: Iterable[str]) -> str:
    """Return which of `names` is most like `name`; empty where none is."""
    found = difflib.get_close_matches(name, list(names), n=1, cutoff=_ALIKE)
    return found[0] if found else ""
