"""From codes to amperes, volts and degrees, with what is not known of them."""

from livesense.chain.channels import ChannelChain
from livesense.chain.groups import Chain

__all__ = ["Chain", "ChannelChain"]
