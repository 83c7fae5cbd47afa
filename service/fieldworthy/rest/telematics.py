"""Readings in the shapes of open standards."""

from fastapi import APIRouter

from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.keeping import Keeping


def telematics_router(keeping: Keeping) -> APIRouter:
    """The routes."""
    return APIRouter(route_class=RawRoute)
