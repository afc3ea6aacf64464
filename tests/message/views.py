"""Hand-made message views with every awkward sign a grower may put into a name."""

from datetime import date

from advisor.message.view import Line, MessageView, Picture, Section

# one white pixel, from the PNG specification's smallest form
PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de"
    "0000000c4944415408d763f8ffff3f0005fe02fea72d9c4b0000000049454e44ae426082"
)


def view(**changes):
    given = {
        "kind": "digest",
        "garden": "Hof <Süd> & Co",
        "day": date(2026, 7, 14),
        "subject": "Tue 14 Jul: Move Aehre under the net before 11:00",
        "title": "Hof <Süd> & Co, Tue 14 Jul",
        "notices": (Line("The forecast is 9 h old.", "", "notice:0", "must"),),
        "sections": (
            Section(
                "must",
                "Must do",
                (
                    Line(
                        "Move Ähre and O’Neil under the net before 11:00: 34 °C and dry wind, new leaves "
                        "9 days old, and a line long enough that it has to be wrapped more than once on a "
                        "phone.",
                        "leaf 43 °C (limit 40 °C, bare after stripping); chance 80%",
                        "shade:move:ähre",
                        "must",
                    ),
                ),
            ),
            Section(
                "water",
                "Water",
                (
                    Line("Water all at 07:00, about 12.5 l.", "ET 6.1 mm", "water:0700"),
                    Line(".a line that begins with a dot", "", "water:dot"),
                    Line("From the journal: -2 °C − minus – dash", "", "water:minus", "quiet"),
                ),
            ),
        ),
        "foot": (Line("Weather: open-meteo, 20 min old.", "", "foot:weather", "quiet"),),
        "picture": Picture(
            PIXEL, "High of 34 °C on Tue 14 Jul, low of 4 °C on Sun 19 Jul.",
            ("Day", "Low", "High"), (("Tue 14 Jul", "18 °C", "34 °C"), ("Wed 15 Jul", "19 °C", "35 °C")),
        ),
    }  # fmt: skip
    given.update(changes)
    return MessageView(**given)
