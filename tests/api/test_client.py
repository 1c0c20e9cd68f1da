"""A client that a generator made of the committed schema places an order, reads its promise, and picks."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import time_machine

from fulfilment.models import Pick
from tests import world
from tests.api.asking import key
from tests.api.conforming import SCHEMA
from tests.world import MONDAY, NOW

if TYPE_CHECKING:
    from pytest_django.live_server_helper import LiveServer


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The package that ``openapi-python-client`` writes."""
    folder = tmp_path_factory.mktemp("client")
    (folder / "config.yaml").write_text("post_hooks: []\n")
    program = Path(sys.executable).with_name("openapi-python-client")
    done = subprocess.run(
        [program, "generate", "--path", SCHEMA, "--meta", "none", "--output-path", folder / "farm_client",
         "--config", folder / "config.yaml", "--fail-on-warning"],
        capture_output=True, text=True, check=False, env={**os.environ, "NO_COLOR": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    sys.path.insert(0, str(folder))
    yield lambda name: importlib.import_module(f"farm_client.{name}")
    sys.path.remove(str(folder))


@pytest.mark.django_db(transaction=True)
def test_a_generated_client_orders_reads_the_promise_and_picks(live_server: LiveServer, client: Any) -> None:
    with time_machine.travel(NOW), ExitStack() as talking:
        farm = world.build()
        lot = farm.harvest(4_000)
        world.plan()
        models, orders, packing = client("models"), client("api.orders"), client("api.packing")
        for name in ("orders_place", "orders_read"):
            client(f"api.orders.{name}")
        client("api.packing.picks_make")
        made = client("client").AuthenticatedClient
        cleo = made(base_url=live_server.url, token=key("kitchen", kitchen=farm.kitchen))
        packer = made(base_url=live_server.url, token=key("packing"))
        talking.enter_context(cleo)
        talking.enter_context(packer)

        line = models.LineAsked(product=farm.product.public_id, amount_g=2_000)
        wanted = models.OrderPlaced(on=MONDAY + timedelta(days=2), lines=[line])
        placed = orders.orders_place.sync(client=cleo, body=wanted, idempotency_key="made-by-a-client")
        assert placed == orders.orders_place.sync(client=cleo, body=wanted, idempotency_key="made-by-a-client")
        read = orders.orders_read.sync(placed.id, client=cleo)
        assert (read.id, read.lines[0].promise.status.value, read.lines[0].promise.amount) == (placed.id, "full", 2_000)

        pick = models.PickAsked(line=f"{placed.id}/1", lot=lot.public_id, gross_g=2_410, tare_g=420)
        picked = packing.picks_make.sync(client=packer, body=pick, idempotency_key="weighed")
        assert (picked.amount, picked.promised) == (1_990, 2_000)

        wrong = models.OrderPlaced(
            on=wanted.on, lines=[models.LineAsked(product=farm.product.public_id, amount_g=1_250)]
        )
        told = orders.orders_place.sync(client=cleo, body=wrong, idempotency_key="another")
        assert (told.status, told.code, told.errors[0].pointer) == (400, "not_whole_packs", "/lines/0/amount_g")
    assert Pick.objects.get().amount == 1_990
