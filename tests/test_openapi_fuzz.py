"""Requests that schemathesis makes of the description: no fault of ours, nothing undescribed."""

import warnings

import pytest
import schemathesis
from flask import Flask
from hypothesis import HealthCheck, given, settings
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from tests.small_archive import Place

from platecover.service.app import create_app
from platecover.service.endpoints import ENDPOINTS

EXAMPLES = 10  # of each operation, right ones and wrong ones
CHECKS = [
    not_a_server_error, status_code_conformance, content_type_conformance,
    response_schema_conformance,
]  # fmt: skip


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Flask:
    return create_app(Place(tmp_path_factory.mktemp("fuzz")).build().archive)


@pytest.mark.parametrize("mode", list(GenerationMode))
@pytest.mark.parametrize(
    ("path", "method"), [(each.path, method) for each in ENDPOINTS for method in each.methods]
)
def test_whatever_is_asked(app: Flask, path: str, method: str, mode: GenerationMode) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own, and those of what it drives
        schema = schemathesis.openapi.from_wsgi("/api/openapi.json", app)
        operation = schema[path][method]
        parameters = operation.definition.raw.get("parameters")
        if mode is GenerationMode.NEGATIVE and method == "GET" and not parameters:
            return  # nothing can be wrong where nothing is asked; any text may name a plate

        @settings(
            max_examples=EXAMPLES, deadline=None, derandomize=True, database=None,
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(case=operation.as_strategy(mode))
        def ask(case: schemathesis.Case) -> None:
            # over WSGI it asks for gzip but does not unpack it
            case.call_and_validate(checks=CHECKS, headers={"Accept-Encoding": "identity"})

        ask()
