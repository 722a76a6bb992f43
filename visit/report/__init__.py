"""What leaves the visit: report, exports, trend over visits, archive.

Enters: `tui`. Top of `visit`, beside `visit.run`; never imports it.
"""
