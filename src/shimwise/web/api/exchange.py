"""Preps out of this record and into another."""

from fastapi import APIRouter

__all__ = ["router"]

router = APIRouter(tags=["exchange"])
