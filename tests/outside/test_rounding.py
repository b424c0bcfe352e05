"""How a value with its σ is printed: the guide's own example."""

from apertrue.registry.format import format_number

SOURCE = {
    "author": "JCGM",
    "title": "Evaluation of measurement data — Guide to the expression of uncertainty in measurement, 7.2.6",
    "year": "2008",
    "place": "JCGM 100:2008: y = 10.057 62 Ω with u = 27 mΩ is rounded to 10.058 Ω",
    "how": "from memory",
}


def test_example(check):
    value, _, rest = format_number(10.05762, 0.027, unit="Ω").partition(" ± ")
    sigma, _, unit = rest.partition(" ")
    assert (value, sigma, unit) == ("10.058", "0.027", "Ω")
    check("10.057 62 Ω with u = 27 mΩ, printed", float(value), 10.058, tol=0)
