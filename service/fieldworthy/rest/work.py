"""Open work: asked and opened in one transaction."""

from fastapi import APIRouter

from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.keeping import Keeping


def work_router(keeping: Keeping) -> APIRouter:
    """The routes."""
    return APIRouter(route_class=RawRoute)
