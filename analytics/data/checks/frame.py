"""Rules about the frame: seasons, holidays, sites and the sampled site-days."""

from __future__ import annotations

from functools import partial

from analytics.data.checks.rule import Rule, counted, of_two, where_stored
from analytics.findings import Severity

_CALENDAR = ("seasons", "holidays", "sites")
_OPENINGS = (
    "coalesce((SELECT concat('open ', string_agg(concat(q.open_date, ' to ', q.close_date), ', ' "
    "ORDER BY q.open_date)) FROM openings q WHERE q.area = {area} "
    "AND abs(q.open_date - {day}) < 400 HAVING count(*) > 0), 'never open near that day')"
)


def closed_words(area: str, day: str) -> str:
    """Return SQL of words that say when an area is open around a day it is closed."""
    opens = _OPENINGS.format(area=area, day=day)
    return f"concat({day}, ' (', dayname({day}), ') in area ', {area}, ', ', {opens})"


_OPEN_DAY = "a day on which the site's area is open"
_CORRECT_DAY = "correct the date or the site, or import the season row that opens the area"

#: Rules of one table, errors and warnings.
_seasons = partial(Rule, table="seasons")
_site_days = partial(Rule, table="site_days")
_site_days_warning = partial(Rule, table="site_days", severity=Severity.WARNING)
_seasons_warning = partial(Rule, table="seasons", severity=Severity.WARNING)

SEASONS = (
    _seasons(
        column="close_date",
        when="r.close_date < r.open_date",
        seen="concat(r.close_date, ' before open_date ', r.open_date)",
        allowed="the open_date or later",
        advice="correct one of the two dates",
    ),
    _seasons(
        column="close_date",
        when="r.close_date - r.open_date > 366",
        seen=f"concat({counted('r.close_date - r.open_date + 1', 'day')}, ' from ', r.open_date)",
        allowed="at most 366 days in one opening",
        advice="correct the year, or write one row a season",
    ),
    _seasons(
        column="open_date",
        source="seasons r JOIN seasons o ON o.area = r.area AND o.open_date <= r.close_date "
        "AND r.open_date <= o.close_date AND (o.season, o.open_date) <> (r.season, r.open_date)",
        when=of_two(),
        seen="concat(r.open_date, ' to ', r.close_date, ' overlaps ', o.open_date, ' to ', "
        f"o.close_date, ' of season ', o.season, {where_stored()})",
        names_stored=True,
        allowed="openings of an area that do not overlap",
        advice="correct the dates so that each day belongs to one opening",
    ),
    _seasons(
        column="open_weekdays",
        when="NOT regexp_full_match(r.open_weekdays, '[1-7]+') OR "
        "len(list_distinct(string_split(r.open_weekdays, ''))) < length(r.open_weekdays)",
        seen="r.open_weekdays",
        allowed="ISO weekday digits 1 to 7, each once, such as 567",
        advice="1 is Monday and 7 is Sunday; empty means every day",
    ),
    _seasons(
        column="day_groups",
        when="NOT regexp_full_match(r.day_groups, '[1-7]+(\\|[1-7]+)*') OR "
        "len(list_distinct(string_split(replace(r.day_groups, '|', ''), ''))) "
        "< length(replace(r.day_groups, '|', ''))",
        seen="r.day_groups",
        allowed="groups of ISO weekday digits split by |, each digit once, such as 1234|567",
        advice="empty means 12345|67",
    ),
    _seasons(
        column="day_groups",
        source="openings r",
        when="translate(r.open_weekdays, replace(r.day_groups, '|', ''), '') <> ''",
        seen="concat(r.day_groups, ' without the open weekdays ', "
        "translate(r.open_weekdays, replace(r.day_groups, '|', ''), ''))",
        allowed="every open weekday in one group",
        advice="add the weekday to a group, or close it in open_weekdays",
    ),
    _seasons(
        column="day_groups",
        source="openings r",
        when="NOT contains(r.day_groups, '7') AND EXISTS (SELECT 1 FROM holidays h WHERE "
        "h.date BETWEEN r.open_date AND r.close_date "
        "AND contains(r.open_weekdays, CAST(isodow(h.date) AS VARCHAR)))",
        seen="concat(r.day_groups, ' without day 7, and a holiday falls on an open day')",
        allowed="a group that holds day 7, to which holidays belong",
        advice="add 7 to the group that holidays belong to",
        needs=("holidays",),
    ),
)

#: What is said of a site and date that another site-day has.
_SAME_DAY = (
    f"concat('site ', r.site, ' on ', r.date, ' is also sample_id ', o.sample_id, {where_stored()})"
)
#: A row that leaves its stratum and frame to the calendar.
_BY_CALENDAR = "r.stratum IS NULL AND r.frame_site_days IS NULL"

SITE_DAYS = (
    _site_days(
        column="date",
        source="site_days r JOIN site_days o ON o.site = r.site AND o.date = r.date "
        "AND o.sample_id <> r.sample_id",
        # A stated frame may count other units than days, such as a morning and an evening.
        when="coalesce(r.stratum, o.stratum) IS NULL "
        f"AND coalesce(r.frame_site_days, o.frame_site_days) IS NULL AND {of_two()}",
        seen=_SAME_DAY,
        names_stored=True,
        allowed="one site-day for a site and date",
        advice="put both samplers' interviews under one sample_id, or correct the date or the site",
    ),
    _site_days(
        column="date",
        source="units r",
        when="r.landing_area IS NOT NULL AND NOT r.is_open AND r.stratum IS NULL "
        "AND r.frame_site_days IS NULL",
        seen=closed_words("r.landing_area", "r.date"),
        allowed=_OPEN_DAY,
        advice=_CORRECT_DAY,
        needs=_CALENDAR,
    ),
    _site_days(
        column="date",
        source="units r",
        when="r.landing_area IS NOT NULL AND r.season IS NULL "
        "AND (r.stratum IS NOT NULL OR r.frame_site_days IS NOT NULL)",
        seen=closed_words("r.landing_area", "r.date"),
        allowed="a day between open_date and close_date of the site's area",
        advice=_CORRECT_DAY,
        needs=_CALENDAR,
    ),
    _site_days(
        column="boats_returned",
        source="site_days r JOIN complete_trips c USING (sample_id)",
        when="c.n > r.boats_returned AND (r._row IS NOT NULL OR c.n_fresh = 0)",
        seen=f"concat({counted('r.boats_returned', 'boat')}, ' returned, ', "
        f"{counted('c.n', 'complete interview')})",
        allowed="at least as many boats as complete interviews",
        advice="count every boat that came back, or correct the interviews' sample_id",
    ),
    _site_days(
        column="frame_site_days",
        source="units r JOIN part_stated p USING (season, landing_area)",
        when=f"{_BY_CALENDAR} AND r.design <> 'opportunistic'",
        seen="concat('neither stratum nor frame_site_days, and ', p.n_stated, ' of ', p.n, "
        "' site-days of area ', r.landing_area, ' in season ', r.season, ' give one')",
        allowed="stratum or frame_site_days on all site-days of an area and season, or on none",
        advice="strata that no row names would be dropped: fill them in on every row of the area "
        "and season, rows stored earlier too, or on none",
        needs=_CALENDAR,
    ),
    _site_days(
        column="frame_site_days",
        source="units r JOIN frames f USING (season, landing_area, label)",
        when="r.frame_site_days IS NOT NULL AND f.low < f.high",
        seen="concat(r.frame_site_days, ' in ', r.stratum_words, ', where others say ', "
        "f.low, ' to ', f.high)",
        allowed="one number in all site-days of a stratum",
        advice="write the stratum's number of site-days on each of its rows",
        needs=_CALENDAR,
    ),
    _site_days(
        column="frame_site_days",
        source="units r JOIN frames f USING (season, landing_area, label)",
        when="f.n > r.frame_site_days",
        seen="concat(r.frame_site_days, ' in ', r.stratum_words, ', of which ', f.n, ' sampled')",
        allowed="at least the number of sampled site-days",
        advice="write the number of site-days the sample was drawn from",
        needs=_CALENDAR,
    ),
    _site_days(
        column="frame_site_days",
        source="units r JOIN frames f USING (season, landing_area, label)",
        when="r.stratum IS NOT NULL AND f.high IS NULL AND f.is_shared",
        seen="concat(r.stratum_words, ' without frame_site_days, and the calendar cannot "
        "tell how many it has')",
        allowed="the number of site-days in the stratum's frame",
        advice="frame_site_days is needed on every row of the stratum",
        needs=_CALENDAR,
    ),
    _site_days_warning(
        column="frame_site_days",
        source="units r JOIN frames f USING (season, landing_area, label)",
        when="r.stratum IS NOT NULL AND f.high IS NULL AND NOT f.is_shared",
        seen="concat(r.stratum_words, ' without frame_site_days')",
        allowed="the number of site-days in the stratum's frame",
        advice="its frame is taken as the calendar's site-days of the weeks and day groups it "
        "touches: write frame_site_days",
        needs=_CALENDAR,
    ),
    _site_days_warning(
        column="boats_returned",
        when="r.boats_returned IS NULL",
        seen="'an empty cell'",
        allowed="the number of boats that came back, 0 for none",
        advice="without it the site-day counts as missing and leaves the sample",
    ),
    _site_days_warning(
        column="boats_returned",
        source="site_days r LEFT JOIN complete_trips c USING (sample_id)",
        when="r.boats_returned > 0 AND c.n IS NULL",
        seen=f"concat({counted('r.boats_returned', 'boat')}, ' returned and no complete "
        "interview')",
        allowed="at least one interview where boats came back",
        advice="until its interviews come its boats count, times the mean per boat of its stratum; "
        "where no day of the stratum has an interview it leaves the sample",
    ),
)

#: A date is doubted this many days from the others (our choice, no source): a wrong year or month.
_OLD_DAYS, _GAP_DAYS = 180, 21
#: A count is doubted above this many times the largest of a site with so many other days counted,
#: and this many boats above it (our choice, no source).
_MANY_TIMES, _COUNTED_DAYS, _MANY_BOATS = 3, 10, 20
#: Site-days of the batch that the store has not, or has under another date.
_NEW_DAY = (
    "NOT EXISTS (SELECT 1 FROM stored_site_days k WHERE k.sample_id = r.sample_id "
    "AND k.date = r.date)"
)

UNLIKELY = (
    _site_days_warning(
        column="date",
        source="site_days r CROSS JOIN (SELECT max(date) AS newest FROM site_days "
        "WHERE _row IS NULL) o",
        when=f"o.newest - r.date > {_OLD_DAYS} AND {_NEW_DAY}",
        seen="concat(r.date, ', ', o.newest - r.date, ' days before the newest site-day of the "
        "store, ', o.newest)",
        allowed="a new site-day of the season under way, or one that comes late on purpose",
        advice="are year and month right? It counts in the season of its date",
    ),
    _site_days_warning(
        column="date",
        source="(SELECT *, lag(date) OVER (PARTITION BY season ORDER BY date) AS before, "
        "date = max(date) OVER (PARTITION BY season) AS is_last FROM (SELECT season, date, "
        "any_value(_file) AS _file, min(_row) AS _row, min(sample_id) AS sample_id "
        "FROM units WHERE season IS NOT NULL GROUP BY season, date)) r",
        when=f"r.is_last AND r.date - r.before > {_GAP_DAYS} AND {_NEW_DAY}",
        seen="concat(r.date, ', ', r.date - r.before, ' days after the site-day before it, ', "
        "r.before)",
        allowed="the next days of sampling",
        advice="is the month right? A season is estimated through its last week with a site-day, "
        "and the weeks without one are imputed",
        needs=_CALENDAR,
    ),
    _site_days_warning(
        column="boats_returned",
        source="site_days r JOIN (SELECT site, sample_id, count(boats_returned) OVER others AS n, "
        "max(boats_returned) OVER others AS most FROM site_days WINDOW others AS (PARTITION BY "
        "site ORDER BY date ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING "
        "EXCLUDE CURRENT ROW)) o USING (sample_id)",
        when=f"o.n >= {_COUNTED_DAYS} AND r.boats_returned > {_MANY_TIMES} * o.most "
        f"AND r.boats_returned > o.most + {_MANY_BOATS}",
        seen="concat(r.boats_returned, ' boats returned, and at most ', o.most, ' on the ', o.n, "
        "' other days counted at ', r.site)",
        allowed="a count like those of the site's other days",
        advice="is it right? The fish reported are expanded to all boats that returned",
    ),
)

#: Rules about what a schedule drew.
_planned = partial(Rule, table="planned_site_days")
_planned_warning = partial(Rule, table="planned_site_days", severity=Severity.WARNING)
_PLANNED_OPEN = (
    "planned_site_days r JOIN (SELECT DISTINCT site, area FROM sites) s USING (site) "
    "LEFT JOIN open_days o ON o.area = s.area AND o.date = r.date AND o.season = r.season"
)
#: Planned site-days that share their place in the draw of one area, week and day group.
_SAME_PLACE = (
    "(SELECT r.*, s.area, o.week, o.group_words, count(*) OVER same AS n, "
    "count(r._row) OVER same AS n_fresh, "
    "min(CASE WHEN r._row IS NULL THEN r._file END) OVER same AS batch FROM planned_site_days r "
    "JOIN (SELECT DISTINCT site, area FROM sites) s USING (site) "
    "JOIN open_days o ON o.area = s.area AND o.date = r.date AND o.season = r.season "
    "WHERE r.draw_order IS NOT NULL "
    "WINDOW same AS (PARTITION BY r.season, s.area, o.week, o.day_group, r.draw_order))"
)

PLANNED = (
    _planned(
        column="date",
        source=_PLANNED_OPEN,
        when="o.date IS NULL",
        seen=f"concat({closed_words('s.area', 'r.date')}, ', planned for season ', r.season)",
        allowed="an open day of the site's area in the season it is planned for",
        advice="correct the date, the site or the season, or import the opening",
        needs=_CALENDAR,
    ),
    _planned(
        column="inclusion_prob",
        when="r.inclusion_prob = 0",
        seen="'0'",
        allowed="more than 0, at most 1",
        advice="write the probability with which the draw takes the site-day into the sample",
    ),
    _planned(
        column="draw_probability",
        when="r.draw_probability = 0",
        seen="'0'",
        allowed="more than 0, at most 1",
        advice="write the probability with which a single draw of that day takes the site",
    ),
    _planned(
        column="draw_order",
        source=_SAME_PLACE + " r",
        when="r.n > 1 AND (r._row IS NOT NULL OR r.n_fresh = 0)",
        seen="concat(r.draw_order, ', which ', r.n, ' site-days of ', r.area, ' ', r.week, ', ', "
        "r.group_words, ' have', CASE WHEN r.n_fresh BETWEEN 1 AND r.n - 1 "
        "THEN concat(', stored', ' by batch ' || r.batch) ELSE '' END)",
        names_stored=True,
        allowed="each place in the draw of a stratum once",
        advice="write every row of the stratum anew from one schedule, or withdraw the batch of "
        "the schedule before",
        needs=_CALENDAR,
    ),
    _planned_warning(
        column="reason",
        when="r.state IN ('missed', 'replaced') AND r.reason IS NULL",
        seen="concat('no reason, and the state is ', r.state)",
        allowed="why a planned site-day was not visited",
        advice="days that are missed because they are busy or rough lean the estimates",
    ),
    _planned_warning(
        column="sample_id",
        source="planned_site_days r JOIN site_days d USING (sample_id)",
        when="d.site <> r.site OR d.date <> r.date",
        seen="concat('planned for ', r.site, ' on ', r.date, ', visited ', d.site, ' on ', d.date)",
        allowed="one site and date under one sample_id",
        advice="the visit takes no probability from this plan; give a site-day that took its place "
        "the sample_id of its own plan",
    ),
)

RULES: tuple[Rule, ...] = SEASONS + SITE_DAYS + UNLIKELY + PLANNED


# Rules about how sites and boats came into the sample: drawn, or met by convenience.

_OF_DAYS = "r.design = 'day_site'"

DRAWS = (
    _seasons_warning(
        column="design",
        source="openings r",
        when="r.design = 'opportunistic'",
        seen="'design opportunistic'",
        allowed="site_day or day_site where totals are needed",
        advice="its area gets catch rates and shares only, its totals say no_design",
    ),
    _site_days(
        column="draw_probability",
        when="r.draw_probability = 0",
        seen="'0'",
        allowed="more than 0 for a site that was drawn, at most 1",
        advice="write the probability with which a single draw of that day takes the site",
    ),
    _site_days(
        column="draw_probability",
        source="units r JOIN (SELECT landing_area, date, sum(draw_probability) AS all_drawn "
        "FROM units WHERE design = 'day_site' GROUP BY landing_area, date) p "
        "USING (landing_area, date)",
        when=f"{_OF_DAYS} AND r.draw_probability IS NOT NULL AND p.all_drawn > 1 + 1e-6",
        seen="concat(r.draw_probability, ', and ', round(p.all_drawn, 4), ' with the other sites "
        "sampled in ', r.landing_area, ' on ', r.date)",
        allowed="single-draw probabilities that sum to at most 1 over the sites of an area and day",
        advice="write the probability of one draw, not that of being in the sample",
        needs=_CALENDAR,
    ),
    _site_days_warning(
        column="draw_probability",
        source="units r JOIN (SELECT landing_area, date, sum(draw_probability) AS all_drawn, "
        "count(*) AS n_drawn FROM units WHERE design = 'day_site' GROUP BY landing_area, date) p "
        "USING (landing_area, date) JOIN (SELECT area AS landing_area, count(*) AS n_sites "
        "FROM sites GROUP BY area) s USING (landing_area)",
        when=f"{_OF_DAYS} AND p.all_drawn BETWEEN 1 - 1e-6 AND 1 + 1e-6 AND p.n_drawn < s.n_sites "
        "AND r.draw_probability < 1",
        seen="concat(r.draw_probability, ', which leaves none for the other sites of ', "
        "r.landing_area, ' on ', r.date)",
        allowed="probabilities that leave some for every site that could be drawn",
        advice="the sampled sites are taken as all there were that day",
        needs=_CALENDAR,
    ),
    _site_days(
        column="site",
        source="units r JOIN sites s USING (site)",
        when=f"{_OF_DAYS} AND r.draw_probability IS NULL AND s.draw_weight = 0",
        seen="concat('site ', r.site, ' with draw_weight 0')",
        allowed="a draw_weight above 0 for a site that was drawn",
        advice="correct the site's draw_weight, or write draw_probability",
        needs=_CALENDAR,
    ),
    _site_days(
        column="date",
        source="units r JOIN site_days o ON o.site = r.site AND o.date = r.date "
        "AND o.sample_id <> r.sample_id",
        when=f"{_OF_DAYS} AND (coalesce(r.stratum, o.stratum) IS NOT NULL "
        f"OR coalesce(r.frame_site_days, o.frame_site_days) IS NOT NULL) AND {of_two()}",
        seen=_SAME_DAY,
        names_stored=True,
        allowed="a site once a day in design day_site, where sites are drawn without replacement",
        advice="put both samplers' interviews under one sample_id",
        needs=_CALENDAR,
    ),
    _site_days_warning(
        column="draw_probability",
        source="units r",
        when="r.design = 'site_day' AND r.draw_probability IS NOT NULL",
        seen="concat(r.draw_probability, ' in design site_day')",
        allowed="an empty cell: that design draws site-days with equal probability",
        advice="it is not used; set the season's design to day_site if sites were drawn by it",
        needs=_CALENDAR,
    ),
    _site_days_warning(
        column="draw_probability",
        source="units r",
        when=f"{_OF_DAYS} AND r.draw_probability IS NULL AND EXISTS (SELECT 1 FROM sites s "
        "WHERE s.area = r.landing_area AND s.draw_weight IS NULL)",
        seen="'an empty cell, and a site of the area has no draw_weight'",
        allowed="draw_probability, or a draw_weight for every site of the area",
        advice="its sites are taken as drawn with equal probability",
        needs=_CALENDAR,
    ),
)

DRAWS_RULES: tuple[Rule, ...] = DRAWS
