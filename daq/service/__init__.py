"""The service: HTTP, server-sent events and the pages."""

from daq.service.app import create_app

__all__ = ["create_app"]
