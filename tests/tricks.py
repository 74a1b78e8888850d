"""
Text tricks: what somebody may write into a subject, a name, a path or a log to steer whoever reads a report.

And what reports are made from, with one of them in the place of every text from outside.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from gatekeep.model.audit import Aspect, Audit, AuditCause, Audited, Bar, Difference, Standing
from gatekeep.model.culprit import Conclusion, CulpritAnswer, CulpritStanding
from gatekeep.model.evidence import Evidence
from gatekeep.model.history import Episode, Sweep, SweepState, TargetHistory, TimelinePoint
from gatekeep.model.readset import Carried
from gatekeep.model.sweep import SweepFindings, SweepReport
from gatekeep.model.verdict import Reason
from tests.judgements import BASE, EPOCH, HEAD, POINTER, RING, hostile

#: By name, each as it would be written.
TRICKS: dict[str, str] = {
    "escape-csi": "\x1b[2J\x1b[1;31mred",
    "escape-osc-title": "\x1b]0;owned\x07",
    "escape-osc-link": "\x1b]8;;http://evil.example\x1b\\click\x1b]8;;\x1b\\",
    "escape-c1": "\x9b2J\x9d0;owned\x9c\x90q\x9c",
    "carriage-return": "error\rverdict: pass",
    "line-feed": "error\nverdict: pass\n",
    "backspace": "block\b\b\b\b\bpass ",
    "other-line-ends": "a\x0bb\x0cc\x85d\u2028e\u2029verdict: pass",
    "bidi-overrides": "a\u202ab\u202bc\u202cd\u202de\u202essap",
    "bidi-isolates": "a\u2066b\u2067c\u2068d\u2069\u200e\u200f\u061c",
    "zero-width": "pa\u200bss\u200c\u200d\u2060\ufeff\u00ad\u034f",
    "tags-and-fillers": "a\U000e0041\U000e0100\ufe0f\u3164\uffa0",
    "lone-surrogates": "a\udc80\udcffb\ud800c",
    "nul": "a\x00b",
    "xml-controls": "a\x01\x08\x0b\x0c\x0e\x1f\x7fb",
    "noncharacters": "a\ufffe\uffff\ufdd0\U0001ffff",
    "html-tags": "<script>alert(1)</script><img src=x onerror=alert(2)><svg/onload=alert(3)>",
    "html-attribute": "\" onmouseover=\"alert(1)\" style='x' autofocus onfocus=alert(2) '",
    "html-url": "javascript:alert(1)",
    "html-entities": "&lt;script&gt; &#60;b&#62; &amp;amp; &nbsp",
    "cdata-end": "a]]>b<![CDATA[c",
    "comment-end": "--><!-- <!DOCTYPE x [<!ENTITY e SYSTEM 'file:///etc/passwd'>]> &e; -->",
    "template": "{{7*7}}{% for x in y %}${7*7}#{7*7}<%= 7 %>",
    "placeholder": "{0} {1} %s %(x)s [text](1)",
    "markdown-link": "[x](javascript:alert(1)) ![y](http://evil.example/p.png) [z][1]\n\n[1]: http://evil.example",
    "markdown-html": "<details open><summary>x</summary></details></details>\n\n<b>bold</b>",
    "markdown-code": "`` ` ``` ~~~ ````\n```\ntext\n```\n    code",
    "markdown-table": "a | b |\n| :-- | --: |\n| c | d |",
    "markdown-autolink": "<http://evil.example> http://evil.example www.evil.example mail@evil.example",
    "markdown-mention": "@team #12 KEY-12 GH-12 deadbeefcafe :smile: !12",
    "markdown-blocks": "# heading\n> quote\n- item\n1. item\n***\nsetext\n===",
    "file-names": "../../../etc/passwd\\..\\CON NUL.txt COM1: aux. /dev/stdin ~root C:\\x",
    "options": "--upload-pack=touch /tmp/x -n",
    "long": "x" * 20_000,
    "long-words": "word " * 5_000,
    "combining": "a" + "\u0301" * 300,
    "wide": "灯" * 2_000,
}


def make_answer(text: str, target: str = "riscv64/vale") -> CulpritAnswer:
    """A culprit found, and everything said of it is the trick."""
    culprit = replace(RING, subject=text, author_name=text, author_email=text)
    return CulpritAnswer(
        target=target,
        good=replace(BASE, subject=text),
        bad=replace(HEAD, subject=text),
        conclusion=Conclusion(
            standing=CulpritStanding.FOUND, culprit=culprit, before=BASE, merges=(HEAD,), suspects=(culprit,), why=text
        ),
        fault=text,
        place=text,
        warnings=(replace(POINTER, message=text, path=text, option=text, excerpt=text),),
        log_path=text,
        build_count=1,
        reused_count=0,
    )


def make_reason(text: str) -> Reason:
    """The blocking reason of the hostile judgement."""
    return hostile(text).verdict.reasons[0]


def make_sweep(text: str) -> SweepReport:
    """A sweep with something of every kind, all of it the trick."""
    judgement = hostile(text)
    reason = make_reason(text)
    return SweepReport(
        sweep=Sweep(
            sweep_id=3,
            commit_id=HEAD.commit_id,
            tree_id=HEAD.tree_id,
            started_at=EPOCH,
            finished_at=EPOCH + timedelta(hours=1),
            state=SweepState.FINISHED,
        ),
        change=judgement.change,
        matrix=judgement.matrix,
        findings=SweepFindings(
            reasons=(reason,),
            standing=(replace(reason, blocks=False),),
            undecided=(reason,),
            mended=(text,),
            gone=(text,),
            turns=(),
            known_before=True,
        ),
        evidence=judgement.evidence,
        audit=make_audit(text),
        built_count=2,
        known_count=0,
        culprits=(make_answer(text),),
        remarks=(text,),
        judged_on=EPOCH.date(),
    )


def make_audit(text: str) -> Audit:
    """An audit that found one result wrong, all of it the trick."""
    judgement = hostile(text)
    commit = judgement.change.head
    result = Audited(
        target=text,
        commit=commit,
        key="k" * 64,
        standing=Standing.MISMATCH,
        carried=Carried(commit_id=commit.commit_id, tree_id=commit.tree_id),
        differences=(Difference(aspect=Aspect.SYMBOL, name=text, ours=text, clean=text),),
        changed_paths=(text,),
        notes=(text,),
    )
    cause = AuditCause(
        standing=Standing.MISMATCH, whom=text, targets=(text,), commits=(commit,), message=text, details=(text, text)
    )
    return Audit(change=judgement.change, matrix=judgement.matrix, carried_count=1, results=(result,), causes=(cause,))


def make_bar(text: str) -> Bar:
    """A bar whose words are the trick."""
    return Bar(target=text, key="k" * 64, tree_id=HEAD.tree_id, commit_id=HEAD.commit_id, barred_at=EPOCH, what=text)


def make_history(text: str) -> TargetHistory:
    """The history of a target that broke and was mended, all of it the trick."""
    judgement = hostile(text)
    evidence: Evidence = judgement.evidence[1]
    assert evidence.footprint is not None
    points = tuple(
        TimelinePoint(
            position=number,
            commit=replace(judgement.change.head, subject=text, author_name=text),
            outcome="broken" if number == 1 else "built",
            regions=() if number == 1 else evidence.footprint.regions,
            warning_count=number,
            elapsed_s=1.0,
            is_carried=False,
            evidence_id=number,
        )
        for number in range(3)
    )
    episode = Episode(
        outcome="broken", first=points[1], before=points[0], mended=points[2], culprit=points[1].commit, message=text
    )
    return TargetHistory(target=text, points=points, episodes=(episode,), commit_count=3)
