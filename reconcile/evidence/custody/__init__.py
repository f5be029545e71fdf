"""Chain of custody: events, the rules that show a break, the hash chain, a sample's story.

The rules follow the custody concepts of US EPA and ASTM D4840 (from memory) as laid down
in each rule's words; none of them makes a result wrong. They say whether custody can be
demonstrated.
"""

from reconcile.evidence.custody.chain import ChainedEvent, Verification, chain, head, verify_chain
from reconcile.evidence.custody.events import BROKEN, COMPLETE, DEVIATION, EVENT_WORDS, NOT_RECORDED
from reconcile.evidence.custody.judgement import CustodyJudgement, judge
from reconcile.evidence.custody.story import StoryLine, story
from reconcile.evidence.custody.walk import Break

__all__ = [
    "BROKEN",
    "COMPLETE",
    "DEVIATION",
    "EVENT_WORDS",
    "NOT_RECORDED",
    "Break",
    "ChainedEvent",
    "CustodyJudgement",
    "StoryLine",
    "Verification",
    "chain",
    "head",
    "judge",
    "story",
    "verify_chain",
]
