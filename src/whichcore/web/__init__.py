"""The bench page: a small server on this machine, and a page that does the whole job.

The server itself is thin: it checks who asks, hands the page's files out, and passes questions on to child
processes. The bench is driven by one child, records and libraries are read by another, verdicts and reports
made by a third, so that a long computation never holds up a measurement or a glance.
"""
