"""Movements and the account of pure alcohol: what was sent, received, bottled, lost and owed.

Acts append records (:mod:`~bulkflow.account.acts`). What they come to is kept as postings, made
from the records (:mod:`~bulkflow.account.fold`) and summed (:mod:`~bulkflow.account.ledger`);
movements, returns and recall (:mod:`~bulkflow.account.mixing`) ask those and the records.
Excise law decides what is owed; take licensed advice before relying on a figure.
"""
