"""What a screenshot shows: its pixels, decoded by the browser that took it."""

import base64

_DECODED = """
  const bytes = Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
  const picture = await createImageBitmap(new Blob([bytes], { type: "image/png" }));
  const canvas = new OffscreenCanvas(picture.width, picture.height);
  const context = canvas.getContext("2d", { willReadFrequently: true });
  context.drawImage(picture, 0, 0);
  const { data } = context.getImageData(0, 0, picture.width, picture.height);
"""
_AT = f"""async ([base64, places]) => {{
  {_DECODED}
  return places.map(([x, y]) => [...data.slice(4 * (y * picture.width + x)).slice(0, 3)]);
}}"""
_COUNTED = f"""async ([base64, colours, near]) => {{
  {_DECODED}
  return colours.map((colour) => {{
    let count = 0;
    for (let at = 0; at < data.length; at += 4)
      if (colour.every((value, i) => Math.abs(value - data[at + i]) <= near)) count += 1;
    return count;
  }});
}}"""


def pixels_at(page, png, places):
    """Give the colours (red, green, blue) at places (x, y) of a screenshot."""
    return [tuple(c) for c in page.evaluate(_AT, [base64.b64encode(png).decode(), places])]


def count_of(page, png, colours, near=12):
    """Count the pixels of a screenshot that are within ``near`` of each of some colours."""
    return page.evaluate(_COUNTED, [base64.b64encode(png).decode(), [list(c) for c in colours], near])
