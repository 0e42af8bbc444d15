"""From codes to amperes, volts and degrees, with what is not known of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from livesense.chain.channels import ChannelChain
    from livesense.chain.groups import Chain

__all__ = ["Chain", "ChannelChain"]


def __getattr__(name: str) -> Any:
    """Load numpy and the conversion only when they are asked for: reading a bench file needs neither."""
    if name == "Chain":
        from livesense.chain.groups import Chain

        return Chain
    if name == "ChannelChain":
        from livesense.chain.channels import ChannelChain

        return ChannelChain
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
