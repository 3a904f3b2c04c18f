"""Charts: where the marks stand, that text stays text, that nothing is drawn of nothing."""

from xml.etree import ElementTree

import pytest

from allocator.outputs.charts import WIDTH, frontier_chart, round_ticks, tornado_chart

SVG = "{http://www.w3.org/2000/svg}"


def parsed(markup):
    return ElementTree.fromstring(str(markup).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))


@pytest.mark.parametrize(("most", "ticks"), [
    (22, [0, 5, 10, 15, 20]), (4, [0, 1, 2, 3, 4]), (0.9, [0, 0.2, 0.4, 0.6, 0.8]),
    (1000, [0, 200, 400, 600, 800, 1000]),
    (8.2e6, [0, 2e6, 4e6, 6e6, 8e6]),
])  # fmt: skip
def test_ticks_are_round(most, ticks):
    assert round_ticks(most) == pytest.approx(ticks)


def test_the_frontier_stands_where_the_numbers_say():
    """From 56 to 326 across for 0 to 4 traps, from 150 up to 12 for 0 to 100 acres."""
    chart = parsed(frontier_chart([0, 1, 2, 3, 4], [0, 50, 80, 95, 100], placed=2))
    assert chart.find(f"{SVG}polyline").get("points").split() == [
        "56.0,150.0", "123.5,81.0", "191.0,39.6", "258.5,18.9", "326.0,12.0",
    ]  # fmt: skip
    mark = chart.find(f"{SVG}circle")
    assert (mark.get("cx"), mark.get("cy")) == ("191.0", "39.6")
    assert chart.find(f"{SVG}desc").text == "2 traps serve 80 acres of habitat units; the last adds 30."
    assert chart.get("role") == "img" and f"0 0 {WIDTH}" in chart.get("viewBox")


def test_many_points_are_thinned_and_the_ends_kept():
    chart = parsed(frontier_chart(list(range(5001)), [float(one) for one in range(5001)], placed=5000))
    points = chart.find(f"{SVG}polyline").get("points").split()
    assert len(points) <= 202 and points[0] == "56.0,150.0" and points[-1] == "326.0,12.0"


def test_bars_of_the_tornado():
    """From 44 to 296 across for 10 to 20 traps."""
    rows = [("acres per trap", 10.0, 20.0), ("<script>alert(1)</script> & more", 14.0, 16.0)]
    markup = tornado_chart(rows, point=15.0)
    assert "<script" not in str(markup)
    chart = parsed(markup)
    bars = [(one.get("x"), one.get("width")) for one in chart.findall(f"{SVG}rect")]
    assert bars == [("44.0", "252.0"), ("144.8", "50.4")]
    texts = [one.text for one in chart.findall(f"{SVG}text")]
    assert "<script>alert(1)</script> & more" in texts and "10.0" in texts and "20.0" in texts
    assert chart.find(f"{SVG}path").get("d").startswith("M170.0 ")
    assert "acres per trap moves the count most: 10.0 to 20.0 traps around 15.0" in chart.find(f"{SVG}desc").text


def test_nothing_to_draw_and_no_numbers():
    assert frontier_chart([0], [0.0], placed=0) == frontier_chart([0, 1], [0.0, 0.0], placed=1) == ""
    assert tornado_chart([], point=3.0) == ""
    assert "rect" in str(tornado_chart([("same", 5.0, 5.0)], point=5.0))
    with pytest.raises(ValueError, match="finite"):
        tornado_chart([("a", float("nan"), 1.0)], point=1.0)
    with pytest.raises(ValueError, match="finite"):
        frontier_chart([0, 1], [0.0, float("inf")], placed=1)
