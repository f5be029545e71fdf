"""Automations that call a person: a run failed, crashed or is late, or findings need somebody.

They live on the standing server, so that they call also where the machine of a site is down. Each
sends one JSON message to a web address: of a chat, of a pager, or of a gateway that sends mail.
"""

from __future__ import annotations

import os

os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
os.environ.setdefault("DO_NOT_TRACK", "1")

import json
from datetime import timedelta
from typing import Any

from prefect.blocks.webhook import Webhook
from prefect.client.orchestration import get_client
from prefect.events import CallWebhook, EventTrigger
from prefect.events.schemas.automations import AutomationCore, Posture

from .monthly import FLOW, NEEDS_A_PERSON

_BLOCK = "reconcile-call"
#: What calls: name, event, and whether it is of a flow run (else of a site).
CALLS = (
    ("failed", "prefect.flow-run.Failed", True),
    ("crashed", "prefect.flow-run.Crashed", True),
    ("late", "prefect.flow-run.Late", True),
    ("needs a person", NEEDS_A_PERSON, False),
)
_OF_RUN = {"run": "{{ flow_run.name }}", "state": "{{ flow_run.state.name }}",
           "message": "{{ flow_run.state.message }}"}  # fmt: skip
_OF_SITE = {"site": "{{ event.payload.site }}", "period": "{{ event.payload.period }}",
            "release": "{{ event.payload.release_id }}",
            "findings": "{{ event.payload.findings }}"}  # fmt: skip


def made(block_id: Any) -> list[AutomationCore]:
    """The automations; one message for each run or site, at once."""
    return [
        AutomationCore(
            name=f"reconcile: {name}",
            description="Made by 'reconcile schedule --call'.",
            trigger=EventTrigger(
                expect={event},
                match={"prefect.resource.id": "prefect.flow-run.*" if of_run
                       else "reconcile.site.*"},
                match_related=(
                    {"prefect.resource.role": "flow", "prefect.resource.name": FLOW}
                    if of_run else {}
                ),
                for_each={"prefect.resource.id"},
                posture=Posture.Reactive,
                threshold=1,
                within=timedelta(0),
            ),
            actions=[
                CallWebhook(
                    block_document_id=block_id,
                    payload=json.dumps({"call": name} | (_OF_RUN if of_run else _OF_SITE)),
                )
            ],
        )
        for name, event, of_run in CALLS
    ]  # fmt: skip


def call(address: str) -> list[str]:
    """Have the server call ``address``; automations made before are replaced. Returns names."""
    block_id = Webhook(method="POST", url=address, allow_private_urls=True).save(
        _BLOCK, overwrite=True
    )
    automations = made(block_id)
    with get_client(sync_client=True) as client:
        for automation in automations:
            for old in client.read_automations_by_name(automation.name):
                client.delete_automation(old.id)
            client.create_automation(automation)
    return [automation.name for automation in automations]
