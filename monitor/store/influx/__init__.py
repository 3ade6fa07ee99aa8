"""A copy of what the embedded store holds, in a time-series database that takes line protocol over HTTP.

Decision: the ledger names what is owed, it does not hold it
    A spool that holds readings beside a store that holds them too can disagree with it: a reading that the
    broker hands over twice, or a second value for one time, is refused by the store and must not reach the
    copy either. So `monitor.store.influx.ledger` lists spans (point, site, hour, first and last time) of
    which something is owed, and `monitor.store.influx.copier` reads them from the store when it sends. Hours
    of outage cost one row for each hour of each series, however many readings that is.

Decision: mark, then store
    The mark is on the disk before the readings are, and the copier takes no mark whose commit is under way.
    A kill between the two leaves a mark with nothing behind it yet; the broker hands the readings over
    again, because they were not acknowledged, and they are marked again. The other order would lose them.

Decision: a span leaves the ledger on 2xx alone
    Writes are synchronous, one at a time. What is sent twice after a crash has the same series, time and
    value, which a database that overwrites keeps once.
"""
