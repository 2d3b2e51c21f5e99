"""What the sheet asks her to mind: the cautions of the trade."""

BEFORE = (
    # FADGI, Technical Guidelines (2016): paintings; prints and photographs.
    "Guidelines for archives allow flatbeds for prints, drawings and watercolours, and advise against them for "
    "paintings.",
    # Library of Congress, care and handling (1999); Rijksmuseum, poster on friable media; wet and raised: trade sense.
    "Nothing wet, tacky, flaking, powdery (pastel, charcoal) or thickly raised on the glass: ask a conservator, or "
    "use a camera.",
    "Clean, dry glass. Wet the cloth, never the glass, and wait until it has dried.",
    "A table or boards level with the glass hold up whatever hangs over. For large work, two people.",
)
DURING = (
    "Lift and lay down again. Never slide the painting over the glass.",
    "Never press the lid or anything else on it. Cover it with a dark cloth where the lid is off.",
    "The same settings for every scan: resolution, 16 bits, colour profile. Switch automatic exposure, automatic "
    "cropping and straightening, sharpening and descreening off.",
    "Scan the whole glass each time. Lay to within 3 mm; straight to within a degree.",
    "Put a ruler and a grey card beside the painting in one scan.",
)
AFTER = ("Keep every scan as it came. They are the original record; the joined picture is made from them.",)
COPYRIGHT = (
    "Scan your own work, work in the public domain, or with the permission of whoever holds the rights. Owning a "
    "picture is not owning the right to copy it."
)
