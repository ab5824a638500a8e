"""Pull lists as people print them and as spreadsheets take them; jacket labels."""

import csv
import io
import math
from importlib import resources
from typing import Any
from xml.sax.saxutils import escape

from jinja2 import Environment, FileSystemLoader
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table

from platecover.coverage.handling_cautions import CAUTIONS
from platecover.coverage.pull_list import PulledPlate, PullList
from platecover.service.formats import shielded

_FONT, _BOLD = "DejaVuSans", "DejaVuSans-Bold"  # matplotlib carries them: letters of old names
_TEMPLATES = str(resources.files("platecover") / "service" / "templates")
_MARGIN_MM = 15
_HEAD = ("", "Plate", "Shelf", "Glass, mm", "kg", "Heed")
_WIDTHS_MM = (8, 34, 36, 30, 16, 56)
_SCREENED = colors.Color(0.93, 0.92, 0.89)


def size_text(plate: PulledPlate) -> str:
    """Measures of a plate: 204 x 254 x 2; what is not the glass's own, or assumed, is marked."""
    if math.isnan(plate.width_mm):
        return "?"
    about = "" if plate.is_glass else "exposed "
    thick = f"{plate.thickness_mm:g}" + ("*" if plate.is_assumed else "")
    return f"{about}{plate.width_mm:.0f} \u00d7 {plate.height_mm:.0f} \u00d7 {thick}"


def weight_text(weight_kg: float) -> str:
    """A weight to ten grams."""
    return "?" if math.isnan(weight_kg) else f"{weight_kg:.2f}"


def by_carry(pulled: PullList) -> list[tuple[str, list[PulledPlate]]]:
    """Heading and plates of each load, in order."""
    loads: dict[int, list[PulledPlate]] = {}
    for plate in pulled.plates:
        loads.setdefault(plate.carry, []).append(plate)
    headed = []
    for number, plates in loads.items():
        first, last = plates[0].unit, plates[-1].unit
        where = first if first == last else f"{first} to {last}"
        weight = sum(each.weight_kg for each in plates if not math.isnan(each.weight_kg))
        count = f"{len(plates)} plate{'' if len(plates) == 1 else 's'}"
        headed.append((f"Load {number}: {where} \u2013 {count}, {weight:.1f} kg", plates))
    return headed


def summary_text(pulled: PullList) -> str:
    """How much there is to carry."""
    count = len(pulled.plates)
    if not count:
        return "No plate is to be pulled."
    plural = "" if count == 1 else "s"
    return (
        f"{count} plate{plural}, about {pulled.weight_kg:.1f} kg of glass, in {pulled.carries} "
        f"load{'' if pulled.carries == 1 else 's'} of at most {pulled.carry_kg:g} kg."
    )


NOTE = (
    "Weights are of glass alone; jackets and boxes come on top. * the thickness is assumed."
    " exposed: the size of what was exposed; the glass is not stated."
)


def pull_list_csv(pulled: PullList) -> bytes:
    """CSV, a line a plate; those for conservation come last, with load 0."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(("load", "unit", "shelf", "plate", "series", "width_mm", "height_mm",
                     "size_is_of", "thickness_mm", "thickness_is", "weight_kg", "heed",
                     "for_conservation"))  # fmt: skip
    for each in (*pulled.plates, *pulled.conservation):
        writer.writerow((
            each.carry, shielded(each.unit), shielded(each.shelf), each.plate, each.series,
            _number(each.width_mm), _number(each.height_mm),
            "glass" if each.is_glass else "exposed area", _number(each.thickness_mm),
            "assumed" if each.is_assumed else "stated", _number(each.weight_kg, 3), each.note,
            "yes" if each.carry == 0 else "no",
        ))  # fmt: skip
    return text.getvalue().encode()


def _number(value: float, decimals: int = 1) -> str:
    return "" if math.isnan(value) else f"{value:.{decimals}f}"


def pull_list_facts(pulled: PullList) -> dict[str, Any]:
    """A pull list as plain values."""

    def facts(plate: PulledPlate) -> dict[str, Any]:
        return {
            name: None if isinstance(value, float) and math.isnan(value) else value
            for name, value in vars(plate).items()
        }

    return {
        "title": pulled.title, "edition": pulled.edition, "carry_kg": pulled.carry_kg,
        "weight_kg": pulled.weight_kg, "carries": pulled.carries,
        "plates": [facts(each) for each in pulled.plates],
        "conservation": [facts(each) for each in pulled.conservation],
        "away": pulled.away, "cautions": list(CAUTIONS),
    }  # fmt: skip


def pull_list_html(
    pulled: PullList, source: str, *, style: str = "", style_link: str = ""
) -> bytes:
    """An HTML page to print; its style within it, or by a link."""
    pages = Environment(loader=FileSystemLoader(_TEMPLATES), autoescape=True, trim_blocks=True)
    text = pages.get_template("pull_list.html").render(
        pulled=pulled, summary=summary_text(pulled), loads=by_carry(pulled), note=NOTE,
        cautions=CAUTIONS, source=source, size=size_text, weight=weight_text, style=style,
        style_link=style_link,
    )  # fmt: skip
    return text.encode()


def own_style() -> str:
    """The style of the printed page, to be written into it."""
    return (resources.files("platecover") / "static" / "pull_list.css").read_text(encoding="utf-8")


def pull_list_pdf(pulled: PullList, source: str) -> bytes:
    """PDF on A4: cautions first, then a table a load, with boxes to tick."""
    _register_fonts()
    stream = io.BytesIO()
    document = SimpleDocTemplate(
        stream, pagesize=A4, title=pulled.title, author="platecover", lang="en",
        leftMargin=_MARGIN_MM * mm, rightMargin=_MARGIN_MM * mm, topMargin=_MARGIN_MM * mm,
        bottomMargin=_MARGIN_MM * mm,
    )  # fmt: skip
    body = ParagraphStyle("body", fontName=_FONT, fontSize=9, leading=12)
    small = ParagraphStyle("small", parent=body, fontSize=7.5, leading=10)
    listed = ParagraphStyle("listed", parent=small, leftIndent=9)
    head = ParagraphStyle("head", parent=body, fontName=_BOLD, fontSize=15, leading=20)
    part = ParagraphStyle("part", parent=body, fontName=_BOLD, fontSize=10.5, leading=15)
    story: list[Any] = [
        Paragraph(escape(pulled.title), head),
        Paragraph(escape(summary_text(pulled)), body),
        Paragraph(escape(f"{source} Date, name: ____________________"), small),
        Spacer(1, 3 * mm),
        Paragraph("Before you start", part),
        *(Paragraph(escape(text), listed, bulletText="\u2022") for text in CAUTIONS),
        Spacer(1, 3 * mm),
        Paragraph(escape(NOTE), small),
    ]
    for title, plates in by_carry(pulled):
        story += _part(title, plates, part, small)
    if pulled.conservation:
        story += _part("Not to be pulled: for the conservator", pulled.conservation, part, small)
    if pulled.away:
        story.append(Paragraph("Named, but not to be had", part))
        text = "; ".join(f"{plate}: {why}" for plate, why in pulled.away.items())
        story.append(Paragraph(escape(text), small))
    document.build(story, onFirstPage=_page_number, onLaterPages=_page_number)
    return stream.getvalue()


def _part(
    title: str, plates: "list[PulledPlate] | tuple[PulledPlate, ...]", part: ParagraphStyle,
    small: ParagraphStyle,
) -> list[Any]:  # fmt: skip
    """A heading and a table of plates; the heading stays with the first of them."""
    rows: list[Any] = [_HEAD]
    for each in plates:
        rows.append((
            "\u2610", Paragraph(escape(each.plate), small), Paragraph(escape(each.shelf), small),
            size_text(each), weight_text(each.weight_kg), Paragraph(escape(each.note), small),
        ))  # fmt: skip
    table = Table(rows, colWidths=[width * mm for width in _WIDTHS_MM], repeatRows=1)
    table.setStyle([
        ("FONT", (0, 0), (-1, -1), _FONT, 7.5), ("FONT", (0, 0), (-1, 0), _BOLD, 7.5),
        ("FONT", (0, 1), (0, -1), _FONT, 11), ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.25, colors.grey), ("ALIGN", (4, 0), (4, -1), "RIGHT"),
        ("BACKGROUND", (0, 0), (-1, 0), _SCREENED), ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
    ])  # fmt: skip
    return [Spacer(1, 4 * mm), KeepTogether([Paragraph(escape(title), part)]), table]


def _page_number(canvas: Canvas, document: SimpleDocTemplate) -> None:
    canvas.setFont(_FONT, 7.5)
    canvas.drawRightString(A4[0] - _MARGIN_MM * mm, 8 * mm, f"page {document.page}")


# Sheets of labels as shops sell them: columns, rows, and the measures of A4 left by margins, mm.
_LABELS_ACROSS, _LABELS_DOWN = 3, 8
_LABEL_WIDTH_MM, _LABEL_HEIGHT_MM = 70.0, 37.0  # 24 of them on A4
_TOP_MM = 0.5 * (297.0 - _LABELS_DOWN * _LABEL_HEIGHT_MM)


def labels_pdf(pulled: PullList, source: str) -> bytes:
    """PDF of jacket labels, 24 of 70 x 37 mm on A4: designation, shelf, size, where from."""
    _register_fonts()
    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=A4, lang="en")
    canvas.setTitle(f"Labels: {pulled.title}")
    on_page = _LABELS_ACROSS * _LABELS_DOWN
    for at, plate in enumerate(pulled.plates):
        if at and at % on_page == 0:
            canvas.showPage()
        row, column = divmod(at % on_page, _LABELS_ACROSS)
        left = column * _LABEL_WIDTH_MM * mm
        top = A4[1] - (_TOP_MM + row * _LABEL_HEIGHT_MM) * mm
        _label(canvas, plate, source, left + 5 * mm, top - 9 * mm)
    canvas.save()
    return stream.getvalue()


def _label(canvas: Canvas, plate: PulledPlate, source: str, x: float, y: float) -> None:
    room = (_LABEL_WIDTH_MM - 10) * mm
    lines = (
        (plate.plate, _BOLD, 15), (plate.shelf or plate.unit, _FONT, 10),
        (f"{size_text(plate)} mm", _FONT, 8), (plate.note, _FONT, 8), (source, _FONT, 6),
    )  # fmt: skip
    for text, font, size in lines:
        while text and pdfmetrics.stringWidth(text, font, size) > room:
            text = text[:-2].rstrip() + "\u2026"
        canvas.setFont(font, size)
        canvas.drawString(x, y, text)
        y -= 6.2 * mm


def _register_fonts() -> None:
    if _FONT not in pdfmetrics.getRegisteredFontNames():
        from matplotlib import get_data_path  # carries the fonts; heavy, and wanted here alone

        for name in (_FONT, _BOLD):
            pdfmetrics.registerFont(TTFont(name, f"{get_data_path()}/fonts/ttf/{name}.ttf"))
