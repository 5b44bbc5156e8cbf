"""A sitting from its definition to its decisions.

===============  ================================================================
module           what it holds
===============  ================================================================
``definition``   what a leader writes down beforehand (YAML)
``planning``     checks against the register; orders, codes and key
``keys``         the key in its file apart, and its openings
``sheets``       preparation, coding, tray and score sheets, for print or terminal
``scores``       score sheets and preparation tables read and checked
``recording``    sheets into the register, closing
``analysis``     controls, mixed model, off-notes of a closed sitting
``deciding``     verdicts with their evidence into the register
``confirming``   a suspected off-note, confirmed or laid to rest
``queueing``     when awaiting lots can be judged
===============  ================================================================
"""
