"""The database of the application that answers the present request."""

from flask import current_app
from sqlalchemy import Engine


def engine() -> Engine:
    """The database of the application that answers the present request."""
    found: Engine = current_app.config["TALLOW_ENGINE"]
    return found
