"""How glass plates are handled, in plain words, for whoever pulls them.

Worded here. What it rests on: ISO 18918:2000 (storage of processed plates); US National Archives,
"How do I house glass plate negatives?" (hands, edges, gloves, standing on the long edge);
S. Wagner 1992, enclosures for negatives (never stacked flat); UK Health and Safety Executive,
INDG469 (nitrate film). Weights and ladders: common practice, no source.
"""

CAUTIONS = (
    "Local rules and the advice of your conservator or safety officer come before this list.",
    "One plate at a time, in both hands, by opposite edges; never by a corner, never by the face.",
    "Wear close-fitting nitrile gloves. Cotton slips, and catches where emulsion is lifting.",
    "Carry and set down plates standing on a long edge, upright, with boards between them; "
    "never stack them flat, never lay anything on one.",
    "Keep each load within the weight printed here, and less if it feels heavy. Two people "
    "for large glass.",
    "Use a steady step or a ladder that is made for it, with someone to hand plates to; do "
    "not reach over your head, and open one drawer or door of a cabinet at a time.",
    "Leave what is broken, cracked through or flaking where it stands and tell the "
    "conservator. Pick up no splinters with bare hands.",
    "Photograph ink on the glass and writing on the jacket before anything is cleaned.",
    "Let a plate that comes from the cold reach the room's temperature in its box before it "
    "is opened.",
    "Film instead of glass may be cellulose nitrate, which burns fiercely: do not handle, "
    "heat or cut it; call the specialist. The same for powdery or strongly smelling residues "
    "of old chemicals.",
)
