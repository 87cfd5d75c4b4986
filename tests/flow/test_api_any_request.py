"""Requests of every kind that the API's own description allows, and some that it does not."""

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import response_schema_conformance

from monitor.api.accounts import SCOPES
from monitor.api.double import Double, fill, invented_site
from monitor.api.web import WebSettings
from monitor.pages.app import create_app

NOW = 1_793_795_200.0
CHECKS = [not_a_server_error, response_schema_conformance]


@pytest.fixture(scope="module")
def double(tmp_path_factory):
    made = Double(tmp_path_factory.mktemp("any"), NOW, (invented_site(),))
    fill(made)
    yield made
    made.core.close()


@pytest.fixture(scope="module")
def operations(double):
    app = create_app(
        double, settings=WebSettings(argon2_memory_kib=8, argon2_passes=1, event_wait_s=0.01)
    )
    app.state.stopping.set()
    token = app.state.web.accounts.issue("api", "any", NOW, by="ann", scopes=SCOPES)
    bearer = {"Authorization": f"Bearer {token}"}
    schema = schemathesis.openapi.from_asgi("/api/openapi.json", app, headers=bearer)
    return [o.ok() for o in schema.get_all_operations()], bearer


@pytest.mark.slow
def test_no_request_brings_the_service_down_and_answers_are_as_described(operations, double):
    found, bearer = operations
    asked: set[str] = set()
    known = {
        "site_id": "north",
        "pump_id": "P1",
        "alarm_id": double.alarms()[0].id,
        "entry_id": 1,
    }
    for operation in found:

        @given(case=operation.as_strategy(), real=st.booleans())
        @settings(
            max_examples=20, deadline=None, database=None, suppress_health_check=list(HealthCheck)
        )
        def ask(case, real):
            if real:
                case.path_parameters = {k: known[k] for k in case.path_parameters or {}}
            case.call_and_validate(headers=bearer, checks=CHECKS)
            asked.add(f"{case.method} {case.path}")

        ask()
    assert len(asked) == len(found) >= 20
