"""Machines: who they are, and what was told of them."""

from fastapi import APIRouter

from fieldworthy.rest.body import RawRoute
from fieldworthy.rest.keeping import Keeping


def machines_router(keeping: Keeping) -> APIRouter:
    """The routes."""
    return APIRouter(route_class=RawRoute)
