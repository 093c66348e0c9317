"""Writes the reference data of the physics tests: cylinder_content.csv,
cylinder_content_edges.csv, cylinder_content_mixtures.csv,
cylinder_content_argon_helium.csv and frost_point.csv, beside this script.

Needs CoolProp 8.0.0 and iapws 1.5.5 (pip install CoolProp==8.0.0 iapws==1.5.5).
Nothing is random. `--check` compares with the committed files instead of
writing them. The tests read the committed files only; no Python runs there.
"""

import pathlib
import sys
from importlib.metadata import version

from CoolProp.CoolProp import AbstractState, PT_INPUTS
from iapws import IAPWS95
from iapws._iapws import _Sublimation_Pressure as sublimation_mpa

HERE = pathlib.Path(__file__).parent
AMBIENT_PA = 101_325.0
GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
GASES = {
    "argon": ("Argon", None),
    "nitrogen": ("Nitrogen", None),
    "helium": ("Helium", None),
    "nitrogen95_hydrogen5": ("Nitrogen&Hydrogen", [0.95, 0.05]),
    "argon95_hydrogen5": ("Argon&Hydrogen", [0.95, 0.05]),
}
# Others that a supplier fills for gloveboxes, welding and leak testing.
MIXTURES = {
    "nitrogen98_hydrogen2": ("Nitrogen&Hydrogen", [0.98, 0.02]),
    "argon98_hydrogen2": ("Argon&Hydrogen", [0.98, 0.02]),
    "nitrogen90_helium10": ("Nitrogen&Helium", [0.90, 0.10]),
    "argon50_nitrogen50": ("Argon&Nitrogen", [0.50, 0.50]),
}
# CoolProp has this pair by Tkaczuk et al. (2020); GERG-2008 has not fitted it.
ARGON_HELIUM = {
    "argon70_helium30": ("Argon&Helium", [0.70, 0.30]),
    "argon50_helium50": ("Argon&Helium", [0.50, 0.50]),
}
HEADER = (
    f"# CoolProp {version('CoolProp')} (HEOS reference equations of state; mixtures: its HEOS multi-fluid model); "
    "ambient 1.01325 bar; volume of the same moles as a real gas at 15 C 1 bar and at 0 C 1.01325 bar; "
    "ideal_gas_error_percent = 100*(ideal-real)/real = 100*(Z-1), negative where the ideal gas law understates the content"
)
COLUMNS = (
    "gas,water_volume_l,gauge_bar,temperature_c,moles,mass_kg,volume_m3_15c_1bar,"
    "volume_m3_0c_1atm,compressibility,ideal_gas_error_percent"
)


def state(gas):
    name, fractions = (GASES | MIXTURES | ARGON_HELIUM)[gas]
    fluid = AbstractState("HEOS", name)
    if fractions:
        fluid.set_mole_fractions(fractions)
    return fluid


def row(gas, fluid, litres, gauge_bar, celsius):
    def density(pascal, kelvin):
        fluid.update(PT_INPUTS, pascal, kelvin)
        return fluid.rhomolar()

    pascal, kelvin = AMBIENT_PA + gauge_bar * 1e5, 273.15 + celsius
    moles = density(pascal, kelvin) * litres / 1000
    # Not CoolProp's own factor, which keeps the older gas constant of each equation of state.
    z = pascal * litres / 1000 / (moles * GAS_CONSTANT * kelvin)
    at_15c = moles / density(1e5, 288.15)
    at_0c = moles / density(AMBIENT_PA, 273.15)
    mass = moles * fluid.molar_mass()
    return (
        f"{gas},{litres},{gauge_bar},{celsius},{moles:.6g},{mass:.6g},"
        f"{at_15c:.6g},{at_0c:.6g},{z:.6f},{100 * (z - 1):.3f}"
    )


def cylinder_content(litres, gauges, temperatures, step, gases=GASES):
    lines = [HEADER, COLUMNS]
    index = 0
    for gas in gases:
        fluid = state(gas)
        for volume in litres:
            for gauge in gauges:
                for celsius in temperatures:
                    # Every second point of the grid covers it as well in half the rows.
                    if index % step == 0:
                        lines.append(row(gas, fluid, volume, gauge, celsius))
                    index += 1
    return lines


def frost_point():
    lines = [
        "# IAPWS R14-08(2011) sublimation pressure below 273.16 K, IAPWS SR1-86(1992) saturation pressure above; "
        "ppmv = 1e6*e/p at p = 101325 Pa (mole ratio to total pressure, no enhancement factor)",
        "frost_point_c,vapour_pressure_pa,ppmv_at_101325_pa",
    ]
    water = IAPWS95()
    for step in range(25):
        celsius = -100.0 + 5.0 * step
        kelvin = celsius + 273.15
        # The auxiliary saturation equation of IAPWS-95 is that of SR1-86.
        mpa = sublimation_mpa(kelvin) if kelvin < 273.16 else water._Vapor_Pressure(kelvin)
        pascal = mpa * 1e6
        lines.append(f"{celsius},{pascal:.6g},{1e6 * pascal / AMBIENT_PA:.6g}")
    return lines


FILES = {
    "cylinder_content.csv": lambda: cylinder_content(
        [10.0, 20.0, 50.0], [5, 20, 50, 100, 150, 200, 300], [-5, 15, 20, 30, 40], 2
    ),
    "cylinder_content_edges.csv": lambda: cylinder_content([50.0], [0.5, 100, 200, 340], [-20, 60], 1),
    "cylinder_content_mixtures.csv": lambda: cylinder_content(
        [50.0], [5, 50, 150, 200, 300], [-5, 20, 40], 1, MIXTURES
    ),
    "cylinder_content_argon_helium.csv": lambda: cylinder_content(
        [50.0], [5, 50, 150, 200, 300], [-5, 20, 40], 1, ARGON_HELIUM
    ),
    "frost_point.csv": frost_point,
}


def main():
    wrong = []
    for name, make in FILES.items():
        text = "\n".join(make()) + "\n"
        path = HERE / name
        if "--check" not in sys.argv:
            path.write_text(text)
        elif path.read_text() != text:
            wrong.append(name)
    sys.exit(f"differs from what is committed: {', '.join(wrong)}" if wrong else 0)


if __name__ == "__main__":
    main()
