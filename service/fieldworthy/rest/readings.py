"""Readings: many at once, and those that were set aside."""

from fastapi import APIRouter

from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.keeping import Keeping


def readings_router(keeping: Keeping) -> APIRouter:
    """The routes."""
    return APIRouter(route_class=RawRoute)
