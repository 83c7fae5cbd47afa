"""What is told of machines: done records, working conditions, occurrences, evidence, findings, deferrals, replaced meters."""

from fastapi import APIRouter

from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.keeping import Keeping


def told_router(keeping: Keeping) -> APIRouter:
    """The routes."""
    return APIRouter(route_class=RawRoute)
