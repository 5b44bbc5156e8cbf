"""The booth: assessors nose and answer in a browser, a leader serves, closes and decides there.

=====================  ==========================================================================
module                 what it holds
=====================  ==========================================================================
``occasion``           a sitting or test as it goes on: whose turn it is for which glass, and when
``desk``               the register behind the booth: reading what is new, keeping what comes in
``forms``              what a form says, as a glass or a choice, or what is wrong with it
``assessor_pages``     what an assessor's browser is sent: blind codes, one serving at a time
``leader_pages``       what the leader's is sent: who is where, and the acts of a sitting
``app``                both behind the guard of `bulkflow.web`
=====================  ==========================================================================

Everything kept is in the register; a booth that is killed goes on where it was.
"""
