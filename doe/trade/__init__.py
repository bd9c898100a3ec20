"""What an experienced formulator would catch in a formula before it is made: checks, each with its source.

`TradeChecks` holds them all against many recipes at once; README.md lists them. Nothing here says that a formula may be
used: local regulation, a qualified safety assessor, and challenge and stability tests decide that.
"""

from doe.trade.check import Given
from doe.trade.engine import TradeChecks
from doe.trade.findings import study_findings, trade_refusals, trial_findings

__all__ = ["Given", "TradeChecks", "study_findings", "trade_refusals", "trial_findings"]
