"""A part of the addresses for programs."""

from typing import Any

from flask import Request
from flask_smorest import Blueprint
from marshmallow import Schema
from webargs.flaskparser import FlaskParser

from dashboard.api.shapes import refuse


class _Bodies(FlaskParser):
    """Reads the body of a request; whatever is no JSON that can be read is a mistake of whoever sent it."""

    def load_json(self, req: Request, schema: Schema) -> Any:
        """The body. Ends the request where it cannot be read."""
        try:
            return super().load_json(req, schema)
        except RecursionError:
            refuse(400, "the body is JSON that is nested too deeply")
        except ValueError:  # a number of thousands of digits
            refuse(400, "the body holds a number that is too long")


class Part(Blueprint):
    """Addresses whose bodies are read so."""

    ARGUMENTS_PARSER = _Bodies()
