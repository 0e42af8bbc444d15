"""Fingers on a page in a browser: touches through the browser's own protocol."""

STEPS = 12


class Hand:
    """Real touches, through the browser's own protocol."""

    def __init__(self, screen):
        self.page = screen.page
        self.session = screen.page.context.new_cdp_session(screen.page)

    def tell(self, kind, fingers):
        points = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(fingers)]
        self.session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def drag(self, begin, end, lift=True):
        """Move fingers from places to others in steps, one a picture of the screen."""
        self.tell("touchStart", begin)
        for step in range(1, STEPS + 1):
            part = step / STEPS
            self.tell(
                "touchMove",
                [
                    (x + part * (to_x - x), y + part * (to_y - y))
                    for (x, y), (to_x, to_y) in zip(begin, end, strict=True)
                ],
            )
            self.page.wait_for_timeout(16)
        if lift:
            self.tell("touchEnd", [])
