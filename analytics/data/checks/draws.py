"""Rules about how sites and boats came into the sample: drawn, or met by convenience."""

from __future__ import annotations

from analytics.data.checks.rule import Rule
from analytics.data.findings import Severity

_CALENDAR = ("seasons", "holidays", "sites")
_OF_DAYS = "r.design = 'day_site'"

DRAWS = (
    Rule(
        table="seasons",
        column="design",
        source="openings r",
        when="r.design = 'opportunistic'",
        seen="'design opportunistic'",
        allowed="site_day or day_site where totals are wanted",
        advice="its area gets catch rates and shares only, its totals say no_design",
        severity=Severity.WARNING,
    ),
    Rule(
        table="site_days",
        column="draw_probability",
        when="r.draw_probability = 0",
        seen="'0'",
        allowed="more than 0 for a site that was drawn, at most 1",
        advice="write the probability with which a single draw of that day takes the site",
    ),
    Rule(
        table="site_days",
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
    Rule(
        table="site_days",
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
        severity=Severity.WARNING,
    ),
    Rule(
        table="site_days",
        column="site",
        source="units r JOIN sites s USING (site)",
        when=f"{_OF_DAYS} AND r.draw_probability IS NULL AND s.draw_weight = 0",
        seen="concat('site ', r.site, ' with draw_weight 0')",
        allowed="a draw_weight above 0 for a site that was drawn",
        advice="mend the site's draw_weight, or write draw_probability",
        needs=_CALENDAR,
    ),
    Rule(
        table="site_days",
        column="date",
        source="units r JOIN site_days o ON o.site = r.site AND o.date = r.date "
        "AND o.sample_id <> r.sample_id",
        when=f"{_OF_DAYS} AND (coalesce(r.stratum, o.stratum) IS NOT NULL "
        "OR coalesce(r.frame_site_days, o.frame_site_days) IS NOT NULL)",
        seen="concat('site ', r.site, ' on ', r.date, ' is also sample_id ', o.sample_id)",
        allowed="a site once a day in design day_site, where sites are drawn without replacement",
        advice="put both samplers' interviews under one sample_id",
        needs=_CALENDAR,
    ),
    Rule(
        table="site_days",
        column="draw_probability",
        source="units r",
        when="r.design = 'site_day' AND r.draw_probability IS NOT NULL",
        seen="concat(r.draw_probability, ' in design site_day')",
        allowed="an empty cell: that design draws site-days with equal probability",
        advice="it is not used; set the season's design to day_site if sites were drawn by it",
        needs=_CALENDAR,
        severity=Severity.WARNING,
    ),
    Rule(
        table="site_days",
        column="draw_probability",
        source="units r",
        when=f"{_OF_DAYS} AND r.draw_probability IS NULL AND EXISTS (SELECT 1 FROM sites s "
        "WHERE s.area = r.landing_area AND s.draw_weight IS NULL)",
        seen="'an empty cell, and a site of the area has no draw_weight'",
        allowed="draw_probability, or a draw_weight for every site of the area",
        advice="its sites are taken as drawn with equal probability",
        needs=_CALENDAR,
        severity=Severity.WARNING,
    ),
)

RULES: tuple[Rule, ...] = DRAWS
