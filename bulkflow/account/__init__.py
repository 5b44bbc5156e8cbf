"""Movements and the account of pure alcohol: what was sent, received, bottled, lost and owed.

Acts append records (:mod:`~bulkflow.account.acts`); questions derive everything from the records
(:mod:`~bulkflow.account.ledger`, :mod:`~bulkflow.account.movements`,
:mod:`~bulkflow.account.returns`, :mod:`~bulkflow.account.recall`). No balance is ever stored.
Excise law decides what is owed; take licensed advice before relying on a figure.
"""
