"""Every sentence of the figures and the report, in one place, to be read and corrected as prose."""

from __future__ import annotations

LANGUAGE = "en"

# --- figures ---------------------------------------------------------------------------------------
PROBE_AXIS = "Probe temperature (°C)"
RESISTANCE_AXIS = "Resistance (Ω)"
CURRENT_AXIS = "Current (A)"
TIME_AXIS = "Time since start ({unit})"
FIGURE_TITLE = "{coil}   {kind}   {verdict}"
OHMS_SERIES = "reading, supply off"
DRIVEN_SERIES = "reading, energised (V/I)"
TYPED_SERIES = "reading, typed in"
SETTLED_POINTS = "settled point"
FITTED_LINE = "fitted line"
LIMIT_LINES = "limits of R20, along the copper law"
OPEN_LABEL = "open or over range"
OFF_SCALE = "off the scale ({count})"
PHASE = {
    "ambient": "cold",
    "rise": "changing",
    "hold": "hold",
    "drive": "drive",
    "heat": "heating itself",
    "cool": "cooling",
    "return": "cold again",
    "sweep": "sweep",
}

# --- verdicts: a word and a sign, never colour alone -----------------------------------------------
VERDICT = {"pass": "PASS", "fail": "FAIL", "retest": "RETEST", "not determined": "not determined"}
SIGN = {"pass": "✔", "fail": "✘", "retest": "↻", "not determined": "–"}

# --- headline --------------------------------------------------------------------------------------
HEADLINE_ALL_GOOD = "All {count} coils pass."
HEADLINE_ONE_GOOD = "The one coil passes."
HEADLINE_NONE = "No coil was judged."
HEADLINE_PASS = ("{count} of {total} coils passes", "{count} of {total} coils pass")
HEADLINE_FAIL = ("{count} fails", "{count} fail")
HEADLINE_RETEST = ("{count} needs a retest", "{count} need a retest")
GROUP = {"pass": "Pass", "fail": "Fail", "retest": "Retest"}

# --- banners ---------------------------------------------------------------------------------------
SIMULATED_BANNER = "INVENTED DATA – simulated bench"
SIMULATED_TEXT = "These readings come from a simulation. They say nothing about any real part."
STATE_BANNER = {
    "stopped": "RUN STOPPED BY THE OPERATOR",
    "fault": "RUN ENDED BY A FAULT OF THE BENCH",
    "cut": "RUN WAS CUT OFF",
}
STATE_TEXT = {
    "stopped": (
        "The run was ended by hand before its last step. The judgement rests on the readings taken "
        "until then."
    ),
    "fault": (
        "The bench misbehaved, was made safe, and the run ended early. The judgement rests on the "
        "readings taken until then; see the notes for the fault."
    ),
    "cut": (
        "The record has no proper end: the program or its computer stopped. The judgement rests on "
        "the readings that had reached the disk."
    ),
}
STATE = {
    "complete": "complete",
    "stopped": "stopped by the operator",
    "fault": "ended by a fault",
    "cut": "cut off",
}

# --- headings and columns --------------------------------------------------------------------------
SUMMARY = "Summary"
SUMMARY_COLUMNS = (
    "Coil",
    "Kind",
    "Verdict",
    "R20 ± U, Ω",
    "Apparent α20 ± U, 10⁻³/K",
    "Joint ± U, Ω",
    "Main reason",
)
SUMMARY_NOTE = (
    "R20 is the resistance referred to 20 °C. The apparent α20 is the slope of the line divided "
    "by R20; sound copper shows 3.93 × 10⁻³/K. Joint is everything in series with the winding "
    "that does not change with temperature. Figures after ± are the expanded uncertainty U; "
    "– is not determined."
)
AT_MOST = "at most {high}"
AT_LEAST = "at least {low}"
WITHIN = "within ± {high}"
BETWEEN = "{low} to {high}"
CRITERIA_COLUMNS = ("Criterion", "Value ± U", "Limit", "Outcome", "Risk")
REASONS = "Reasons"
NO_REASON = "Nothing to object to: every criterion that could be determined is met."
NO_REASON_SHORT = "Every criterion met."
NO_CRITERIA = "No criterion could be determined."
SERIAL = "serial {serial}"
COIL_FACTS = "{count} readings, hottest {hottest}, result from {method}"
COIL_RISK = ", risk of a wrong verdict {risk}"
LITTLE_RISK = "< 0.1 %"
COIL_FACTS_NO_HEAT = "{count} readings, result from {method}"
CURVE_ALT = "Coil {coil}: resistance against probe temperature, and resistance and current against time."
METHOD_WORD = {
    "line": "a straight line through settled points",
    "thermal network": "a thermal network fitted to the whole trace",
    "single temperature": "one temperature alone",
    "none": "no fit",
}
METHOD = "Method"
METHOD_TEXT = (
    "Each coil is read cold, at rising temperatures, and cold again. A winding is its own "
    "thermometer: copper gains 0.393 % of its 20 °C resistance each kelvin (IEC 60028), while a "
    "joint in series hardly changes. R20 and the apparent α20 come from the resistance against "
    "temperature; a slope that is too flat for the resistance points to a joint in series, one "
    "that fits a resistance too low points to shorted turns."
)
METHOD_LINES = {
    "line": (
        "A straight line was put through settled points, where winding, body and probe are at one "
        "temperature."
    ),
    "thermal network": (
        "The heated and cooled trace was fitted as a whole with a thermal network driven by the "
        "measured power, because a coil that heats itself is hotter inside than at its probe."
    ),
    "single temperature": (
        "Where only one temperature was measured, R20 is referred to 20 °C by the copper law and "
        "neither slope nor joint is determined."
    ),
}
METHOD_UNCERTAINTY = (
    "U is the expanded uncertainty for 95.45 % of cases: k=2 times the standard uncertainty, and more where "
    "few degrees of freedom stand behind it (Student's t for the effective degrees of freedom, JCGM 100, "
    "G.4). Degrees of freedom that are not known are taken for endless."
)
METHOD_GUARD = (
    "A value passes when it lies inside its limit by at least {times} U and fails when it lies outside "
    "by more than {times} U; between the two the coil is marked for a retest."
)
METHOD_RULE = {
    1.0: METHOD_GUARD.replace("{times} U", "U"),
    0.0: (
        "A value passes when it lies inside its limit and fails when it lies outside, whatever its U "
        "(simple acceptance)."
    ),
}
METHOD_RISK = (
    "Risk is the probability, value and U given, that a pass or fail of that criterion is wrong (specific "
    "risk, JCGM 106:2012); what is counted or was not decided by U has none. The risk of a whole verdict "
    "is the most it can be, however the criteria hang together."
)
LIMITS = "Limits"
LIMITS_COLUMNS = ("Kind", "R20, Ω", "R20 tolerance", "Joint, Ω", "Like coils, Ω", "Drift", "Leakage, Ω")
LIMITS_NOTE = "* not given for this kind: common practice, no source."
FREE = "not given"
INSTRUMENTS = "Instruments"
INSTRUMENT_COLUMNS = ("Role", "Identity", "Calibrated")
NO_INSTRUMENTS = "No instruments are on record."
NO_CALIBRATION = "not stated"
SETTINGS = "Settings"
SETTING_COLUMNS = ("Setting", "Value")
NOTES = "Notes"
CAUTIONS = "Cautions"
CAUTION_ITEMS = (
    (
        "Hot metal.",
        "Bodies, oil and fixtures at test temperature burn skin. Let them cool, or handle with gloves.",
    ),
    (
        "Flammable solvents and oil mist.",
        "Energise a coil only when it is dry and the place is ventilated; keep cleaning apart from testing.",
    ),
    (
        "Inductive kick.",
        (
            "A coil switched off gives its energy back as a voltage spike: fit a flyback diode or "
            "clamp, and never open a contact under current."
        ),
    ),
    (
        "Fire.",
        "Set current limit and protections before anything is energised, and never leave a heated run alone.",
    ),
    (
        "Not a safety device.",
        "This program is not a safety-rated interlock. Do not let anyone's safety rest on it.",
    ),
    ("Local codes and licensed practice come first.", "Where they differ from this report, they are right."),
)

# --- run facts and footer --------------------------------------------------------------------------
FACTS = {
    "set": "Set",
    "rig": "Bench",
    "job": "Job",
    "operator": "Operator",
    "stage": "Stage",
    "start": "Start (UTC)",
    "state": "Run",
    "readings": "Readings",
}
UNKNOWN = "not stated"
FOOTER = "coilsoak {version}, run of {start}"
PAGE = "page {page} of {pages}"
