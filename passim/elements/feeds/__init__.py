"""Feeds and snapshots: where fresh element sets come from, and what is kept of them.

sources        what a feed may be: an address, or a folder
http           one request within bounds
request_log    when each address was asked last, for all workspaces and restarts of a user
snapshots      each good fetch, kept whole and thinned as it ages
update         from an address or a folder to a snapshot
"""
