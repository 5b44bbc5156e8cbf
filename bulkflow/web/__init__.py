"""What pages served in a browser share: who may ask, who may answer, and one look.

===============  =================================================================
module           what it holds
===============  =================================================================
``security``     headers and content policy of every answer, whose requests are heard
``sessions``     signed tokens, hardened cookies, proof that a form is the server's own
``door``         where a visitor types the code that lets them in
``limits``       how often a secret may be guessed
``pages``        templates with the shared frame, and files that never change
``serving``      the server itself: loopback unless told otherwise, nothing said in logs
===============  =================================================================

``base.css`` is the look that report and papers have, too (`bulkflow.paper`). Needs the extra
``[booth]``; nothing here is imported by the rest of the program unless a page is served.
"""
