"""An option file with every key, each explained; it can be read as it stands."""

from __future__ import annotations

#: Areas, dates and fishing methods are those of the demo season.
EXAMPLE = """\
# Options to weigh: what may change in the rest of a season.
#
#   blackmouth options FILE.toml --store DIR --out DIR
#
# This is TOML: text in double quotes, dates YYYY-MM-DD without quotes, true or false, and a decimal
# point. A key that is left out leaves today's rule as it is. Today's rule is always weighed, too;
# every option is compared with it. At most 50 options; an unknown key is refused. An option that
# the season cannot weigh, such as of an area that it does not have, is told, and the others are
# weighed.

title = "Rules for March"           # heads the answer
notes = "Asked by the board."       # printed with the answer, may have several lines


# Each option begins with [[option]]; its changes follow, each with [[option.change]].
[[option]]
name = "Close Velmark on 1 March"   # every option has a name of its own
elasticity = 0.0                    # per cent of trips gained on an open day for each per cent of
                                    # kept fish per trip gained (0 to 5; 0: anglers do not respond)
to_other_areas_prop = 0.3           # of the trips on days that an option closes, the share that
                                    # goes to the areas open that day (0 to 1)
to_other_days_prop = 0.2            # and to the open days of the same area and week (0 to 1; both
                                    # together at most 1, the rest stays at home)

[[option.change]]
areas = ["VEL"]                     # areas as in the store; left out: all areas
close_from = 2036-03-01             # closed from this day on


[[option]]
name = "Rest in March, then longer"

[[option.change]]
areas = ["OMB", "KET"]
close_from = 2036-03-01             # closed from this day on ...
reopen_from = 2036-03-22            # ... open again from this day on ...
open_through = 2036-05-04           # ... and through this day, past the planned close


[[option]]
name = "Weekends, one fish, 580 mm"
elasticity = 0.4

# Changes apply in their order. first_day and last_day bound what one change does.
[[option.change]]
first_day = 2036-02-24              # left out: the first day to come
last_day = 2036-03-31               # left out: the last
open_weekdays = "67"                # ISO digits of the open days, 1 is Monday

[[option.change]]
daily_limit_fish = 1                # Chinook an angler may keep a day
at_limit = "go_on"                  # anglers at their limit "go_on" fishing, or "stop"
min_length_mm = 580                 # legal minimum total length


[[option]]
name = "Marked fish, single barbless hooks"

[[option.change]]
mark_selective = true               # only marked (adipose-clipped) fish may be kept
effort_factor = 0.9                 # trips of an open day over today's (0 to 10)
method_mix = {trolling = 0.3, mooching = 0.3, jigging = 0.4}  # shares of trips, summing to 1

# Rates of death after release in the days to come: columns of the table release_rates, in the
# place of the rows of the same size class, method and wound class. Another gear is told this way.
[[option.change.release_rates]]
size_class = "sublegal"             # legal, sublegal or any
method = "any"                      # a fishing method, or any
wound_class = "any"                 # any, shallow or deep
rate_prop = 0.15                    # share of released fish that die
rate_se = 0.04                      # its standard error; left out: none
source = "assumed here"             # where the rate comes from
"""
