"""Limits that need no network solved: what may not lie on a block, on a wire or twice on the network.

All are counts: past or not, and never near.
"""

from __future__ import annotations

from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.cautions import Caution
from zones.limits.limit import NO_SOURCE, Detail, Limit, Remedy, Severity

TERMINATION_LIMITS = (
    Limit(
        code="row_used_twice",
        title="Row used twice",
        rule=Rule("row_used_twice", near_margin=0),
        subject_kind=SubjectKind.BLOCK,
        quantity="conductors on the side of a row that has most beyond what it takes",
        limit_from="one conductor on a side of a split 66-type row with its clip in, two without; two on an "
        "unsplit 66-type, one on a 110-type, two under a screw",
        source=f"{NO_SOURCE}; the data sheet of the block governs",
        severity=Severity.SILENCE,
        detail=Detail.ROW,
        template="{subject} has {figure} on one side{of}; {allowed} allowed.",
        noun="conductor",
        past="{figure} on one side of a row of {subject}, {allowed} allowed",
        in_order="no row of {subject} used twice",
        remedies=(Remedy.REWIRE, Remedy.CORRECT_RECORD),
        cautions=(Caution.DISCONNECT,),
    ),
    Limit(
        code="polarity_reversed",
        title="Landing polarity reversed",
        rule=Rule("polarity_reversed", near_margin=0),
        subject_kind=SubjectKind.BLOCK,
        quantity="rows on which the two sides are each other's opposite",
        limit_from="none",
        source="a pair joined to its opposite is reversed: by definition",
        severity=Severity.SILENCE,
        detail=Detail.ROW,
        template="{subject}: polarity reversed on {figure}{first}.",
        noun="row",
        past="polarity reversed on {figure} of {subject}",
        in_order="no polarity reversed on {subject}",
        remedies=(Remedy.REWIRE, Remedy.CORRECT_RECORD),
        cautions=(Caution.DISCONNECT,),
    ),
    Limit(
        code="clip_out",
        title="Clip left out",
        rule=Rule("clip_out", near_margin=0),
        subject_kind=SubjectKind.BLOCK,
        quantity="rows with a conductor in use on either side whose clip is out or cross-connect lifted",
        limit_from="none",
        source="what is parted carries nothing: by definition",
        severity=Severity.SILENCE,
        detail=Detail.ROW,
        template="{subject}: bridging clip out or cross-connect lifted on {figure}{first}. What is behind it "
        "is silent.",
        noun="row",
        past="clip out or cross-connect lifted on {figure} of {subject}",
        in_order="no clip out on {subject}",
        remedies=(Remedy.REWIRE, Remedy.CORRECT_RECORD),
        cautions=(Caution.DISCONNECT,),
    ),
    Limit(
        code="dc_on_audio",
        title="DC and audio on one row or pair",
        rule=Rule("dc_on_audio", near_margin=0),
        subject_kind=SubjectKind.BLOCK,
        quantity="rows on which DC and audio meet, on the row itself or in the pair that is landed there",
        limit_from="none",
        source=f"DC destroys audio outputs and inputs: {NO_SOURCE}",
        severity=Severity.HAZARD,
        detail=Detail.ROW,
        template="{subject} has DC and audio together on {figure}{first}. DC destroys audio outputs and "
        "inputs: unplug the supply, then verify.",
        noun="row",
        past="DC and audio together on {figure} of {subject}",
        in_order="DC and audio apart on every row of {subject}",
        remedies=(Remedy.REWIRE, Remedy.CORRECT_RECORD),
        cautions=(Caution.DISCONNECT,),
    ),
    Limit(
        code="audio_with_dc",
        title="Audio and DC on one block",
        rule=Rule("audio_with_dc", near_margin=0, advice=True),
        subject_kind=SubjectKind.BLOCK,
        quantity="whether audio and DC of a site with several zones share the block",
        limit_from="keep them apart",
        source=NO_SOURCE,
        severity=Severity.ADVICE,
        template="{subject} carries audio and DC on a site with several zones. Keep them apart: it prevents "
        "mistakes.",
        past="audio and DC of several zones together on {subject}",
        in_order="audio and DC apart on {subject}",
        remedies=(Remedy.REWIRE,),
    ),
    Limit(
        code="wire_gauge",
        title="Wire outside its block's range",
        rule=Rule("wire_gauge", near_margin=0),
        subject_kind=SubjectKind.RUN,
        quantity="gauge numbers by which the field cable is outside its block's wire range",
        unit="AWG",
        limit_from="22–26 AWG on a 110-type block; 20–26 AWG on a 66-type and 12–26 AWG on a screw strip",
        source=f"110-type: its connecting-hardware standard (from memory); the others: {NO_SOURCE}; the "
        f"data sheet of the block governs",
        severity=Severity.SILENCE,
        template="The cable of {subject} is {figure} outside its block's wire range. Contacts may not hold.",
        past="cable of {subject} is {figure} outside its block's wire range",
        in_order="cable of {subject} within its block's wire range",
        remedies=(Remedy.REWIRE, Remedy.CORRECT_RECORD),
    ),
    Limit(
        code="address_used_twice",
        title="Address used twice",
        rule=Rule("address_used_twice", near_margin=0),
        subject_kind=SubjectKind.ENDPOINT,
        quantity="endpoints with this address and VLAN",
        limit_from="one endpoint an address",
        source="RFC 5227: an address belongs to one host on a link",
        severity=Severity.SILENCE,
        template="{figure} share the network address of {subject}; {allowed} allowed.",
        noun="endpoint",
        past="{figure} with the network address of {subject}, {allowed} allowed",
        in_order="network address of {subject} used once",
        remedies=(Remedy.REWIRE, Remedy.CORRECT_RECORD),
    ),
)
