"""What registers and documents of certificates say, in words."""

from __future__ import annotations

from reconcile.base.registers import CERTIFICATE, CertificateText, Registers, Said
from reconcile.reporting import words


def every(registers: Registers) -> tuple[Said, ...]:
    """All that is said, in the order in which it is shown."""
    return (*registers.said(), *(_of_document(c) for c in registers.certificates))


def _of_document(c: CertificateText) -> Said:
    differing = "; ".join(
        words.REGISTER_DIFFERS.format(
            sample=d.sample_id, element=d.element, table=d.table, page=d.page,
            document=words.REGISTER_EITHER.join(d.document) or words.REGISTER_NO_NUMBER,
        )
        for d in c.differing
    )  # fmt: skip
    facts = {
        "document": c.file,
        "problem": c.problem,
        "pages": str(c.pages or ""),
        "agreeing": "" if c.problem else str(c.agreeing),
        "differing": differing,
        "absent": ", ".join(c.absent),
        "scales": ", ".join(f"{element} {power:+d}" for element, power in c.scales),
    }
    return Said(CERTIFICATE, c.certificate, tuple((k, v) for k, v in facts.items() if v))


def facts(said: Said) -> str:
    """The facts of one entry, one after the other."""
    return "; ".join(
        words.REGISTER_FACT.format(name=words.REGISTER_FACTS[name], value=value)
        for name, value in said.facts
    ) or words.REGISTER_SAYS_NOTHING  # fmt: skip


def sentence(said: Said) -> str:
    """One entry as a line."""
    return words.REGISTER_SENTENCE.format(
        kind=words.REGISTER_KINDS[said.kind], name=said.name, facts=facts(said)
    )
