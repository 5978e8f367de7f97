"""A figure before it is drawn: what it says, and how it is laid out."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.publish.layout import Plan


@dataclass(frozen=True)
class Sketch:
    """`alt` says in words what the picture shows, for a reader who can't see it."""

    name: str
    title: str
    alt: str
    caption: str
    plan: Plan
