//! The words and rounded numbers that the table and the page share, so that the two never disagree.
//! Spaces within one number with its unit are no-break spaces (U+00A0).

use super::statistics::{Share, Spread};
use super::summary::{Group, Summary};
use super::{Judged, Review, load};
use crate::detect::{AnglesFrom, Class, Flag, NodeLoss, SegmentTurn, Swing, Verdict};
use crate::units::{Measured, counted};

/// What stands where there is nothing to say.
pub const NOTHING: &str = "–";

/// Said once on every output: what the hinge counts from and, where the hand node was alone, that it is not measured.
pub fn about_hinge(swings: &[Swing]) -> String {
    let counted = "Hinge is counted from the address position.";
    let worked_out = swings.iter().filter(|swing| swing.angles_from() == Some(AnglesFrom::HandPath)).count();
    match worked_out {
        0 => counted.to_owned(),
        n if n == swings.len() => format!("{counted} {WORKED_OUT}"),
        n => {
            format!("{counted} In {n} of {} swings only the hand node was there. {WORKED_OUT}", swings.len())
        }
    }
}

/// Said of the angles of a hand node that was alone.
pub const WORKED_OUT: &str = "With the hand node alone the angles of wrist and forearm are not measured: they are \
    worked out from the hand's path, through a model of arm and shoulder.";

/// One swing as a reader sees it.
pub struct SwingWords {
    pub number: String,
    pub club: String,
    /// ms with its uncertainty, negative before the top.
    pub set_to_top: String,
    /// Per cent of the arm travel at the top, with its uncertainty.
    pub arm_travel: String,
    pub class: &'static str,
    /// The verdict's word, with a question mark where the measurement cannot decide.
    pub verdict: String,
    /// Whole degrees at set, top and impact.
    pub hinge: [String; 3],
    /// Angle between forearm and shaft with the arm horizontal in the downswing, whole degrees.
    pub arm_shaft: String,
    pub tempo: String,
    /// ms before the top with its uncertainty, negative after it; only told where [`tells_pelvis`].
    pub pelvis_lead: String,
    /// Letters that the legend explains.
    pub flags: String,
}

impl SwingWords {
    pub fn of(review: &Review, place: usize, swing: &Swing, legend: &[Flag]) -> SwingWords {
        let set = swing.set.as_ref();
        let hinge = &swing.hinge_deg;
        SwingWords {
            number: review.number(place).to_string(),
            club: club_name(swing.club.as_deref()),
            set_to_top: set.map_or_else(nothing, |set| with_sd(set.set_to_top_ms, 1.0, "")),
            arm_travel: set.map_or_else(nothing, |set| with_sd(set.arm_travel_at_set, 100.0, "\u{a0}%")),
            class: class_words(swing.class),
            verdict: verdict_words(review.verdict(swing)),
            hinge: [degrees(hinge.set), degrees(hinge.top), degrees(hinge.impact)],
            arm_shaft: degrees(swing.arm_shaft_deg.arm_horizontal_down),
            tempo: number(swing.tempo.value, 1),
            pelvis_lead: swing
                .pelvis_start()
                .map_or_else(nothing, |start| with_sd(start.lead_to_top_ms, 1.0, "")),
            flags: swing.flags.iter().filter_map(|flag| flag_letter(*flag, legend)).collect(),
        }
    }
}

/// A group of swings as a reader sees it.
pub struct GroupWords {
    pub name: String,
    pub swings: String,
    pub sets: String,
    /// Median in ms, then the middle half.
    pub set_to_top: String,
    pub set_to_top_half: String,
    pub arm_travel: String,
    pub in_window: String,
    pub in_window_interval: String,
    pub tempo: String,
    /// Median in ms, then the middle half; only told where [`Summary::tells_pelvis`].
    pub pelvis_lead: String,
    pub pelvis_lead_half: String,
}

impl GroupWords {
    pub fn of(name: String, group: &Group) -> GroupWords {
        let (ms, travel) = (group.set_to_top_ms, group.arm_travel_at_set);
        GroupWords {
            name,
            swings: if group.is_small() {
                format!("{}\u{a0}(few)", group.swings)
            } else {
                group.swings.to_string()
            },
            sets: group.sets.to_string(),
            set_to_top: ms.map_or_else(nothing, |s| number(s.median, 0)),
            set_to_top_half: half(ms, 1.0, ""),
            arm_travel: travel.map_or_else(nothing, |s| format!("{}\u{a0}%", percent(s.median))),
            in_window: group.in_window.map_or_else(nothing, |s| format!("{}\u{a0}of\u{a0}{}", s.hits, s.n)),
            in_window_interval: group.in_window.map_or_else(nothing, interval),
            tempo: group.tempo.map_or_else(nothing, |s| number(s.median, 1)),
            pelvis_lead: group.pelvis_lead_to_top_ms.map_or_else(nothing, |s| number(s.median, 0)),
            pelvis_lead_half: half(group.pelvis_lead_to_top_ms, 1.0, ""),
        }
    }
}

/// The player wore a node on the belt, so its columns are worth their place.
pub fn tells_pelvis(swings: &[Swing]) -> bool {
    swings.iter().filter_map(|swing| swing.body.as_ref()).any(|body| body.pelvis.is_some())
}

/// What the column of the pelvis' lead means.
pub const PELVIS_LEAD: &str =
    "Pelvis lead: how long before the top the pelvis starts back; negative is after it.";

/// When the pelvis starts back against the arm, as far as its bar lets that be said; nothing without a node there.
pub fn pelvis_sentence(swing: &Swing) -> Option<String> {
    let lead = swing.pelvis_start()?.lead_to_top_ms;
    let ms = with_sd(Measured::new(lead.value.abs(), lead.sd), 1.0, "\u{a0}ms");
    Some(if lead.value.abs() <= 2.0 * lead.sd {
        format!(
            "Pelvis and arm start back together, as far as can be told (to ±\u{a0}{}\u{a0}ms).",
            number(lead.sd, 0)
        )
    } else if lead.value > 0.0 {
        format!("The pelvis starts back {ms} before the arm does.")
    } else {
        format!("The pelvis starts back {ms} after the arm does.")
    })
}

/// What nodes on the trunk tell of a swing, a sentence each; none without such nodes.
pub fn trunk_sentences(swing: &Swing) -> Vec<String> {
    let Some(body) = &swing.body else { return Vec::new() };
    let each = |of: fn(&SegmentTurn) -> Measured| {
        let named = [("pelvis", &body.pelvis), ("chest", &body.chest)].into_iter();
        let words = named.filter_map(|(name, segment)| {
            Some(format!("{name} {}", with_sd(of(segment.as_ref()?), 1.0, "°")))
        });
        words.collect::<Vec<String>>().join(", ")
    };
    let turns =
        format!("Turned away from the target at the top: {}.", each(|segment| segment.turn_at_top_deg));
    let leans =
        format!("Leaning away from the target at impact: {}.", each(|segment| segment.tilt_at_impact_deg));
    pelvis_sentence(swing).into_iter().chain([turns, leans]).collect()
}

/// Why numbers of a swing deserve less trust, the trunk's with the name of their segment.
pub fn doubts(swing: &Swing) -> Vec<String> {
    let of_trunk = swing.body.iter().flat_map(|body| [("pelvis", &body.pelvis), ("chest", &body.chest)]);
    let of_trunk = of_trunk.flat_map(|(name, segment)| {
        let flags = segment.iter().flat_map(|segment| &segment.flags);
        flags.map(move |flag| format!("{name}: {}", flag.explanation()))
    });
    swing.flags.iter().map(|flag| flag.explanation().to_owned()).chain(of_trunk).collect()
}

/// What shows tiring, club by club.
pub fn tiring(summary: &Summary) -> Vec<String> {
    let of_club = |(club, group): &(Option<String>, Group)| {
        group.fatigue.and_then(|fatigue| load::tiring(&club_name(club.as_deref()), &fatigue))
    };
    summary.clubs.iter().filter_map(of_club).collect()
}

/// The flags that occur in the bucket, in their own order; each gets a letter.
pub fn flags_in_use(swings: &[Swing]) -> Vec<Flag> {
    let mut flags: Vec<Flag> = swings.iter().flat_map(|swing| swing.flags.iter().copied()).collect();
    flags.sort_unstable();
    flags.dedup();
    flags
}

/// The letter of a flag: `a` for the first in use. There are fewer flags than letters.
pub fn flag_letter(flag: Flag, legend: &[Flag]) -> Option<char> {
    let place = legend.iter().position(|known| *known == flag)?;
    char::from_digit(u32::try_from(place).ok()? + 10, 36)
}

/// A club's name for display: control characters, which could steer a terminal, become `?`.
pub fn club_name(club: Option<&str>) -> String {
    club.map_or_else(|| "no club named".to_owned(), clean)
}

/// Text from outside with its control characters replaced.
pub fn clean(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '?' } else { c }).collect()
}

fn class_words(class: Class) -> &'static str {
    match class {
        Class::AtTop => "at top",
        Class::AfterTop => "after top",
        Class::None => "no set",
        other => other.word(),
    }
}

fn verdict_words(judged: Option<Judged>) -> String {
    let Some(Judged { verdict, close }) = judged else { return nothing() };
    let word = match verdict {
        Verdict::Early => "early",
        Verdict::InWindow => "in window",
        Verdict::Late => "late",
        Verdict::NoSet => "no\u{a0}set",
    };
    if close { format!("{word}?") } else { word.to_owned() }
}

/// One sentence on the bucket as a whole.
pub fn headline(summary: &Summary) -> String {
    let all = &summary.all;
    let mut text = match all.swings {
        0 => return "No swing was found.".to_owned(),
        n => counted(n, "swing"),
    };
    if all.sets < all.swings {
        text += &format!(", a set found in {}", all.sets);
    }
    // A median over different clubs would describe none of them.
    if let Some(spread) = all.set_to_top_ms.filter(|_| !summary.mixes_clubs()) {
        let which = if all.sets == 1 { "it" } else { "the middle one" };
        text += &format!("; {which} is set {}", against_top(spread.median));
    }
    if let Some(share) = all.in_window {
        text += &format!("; {} of {} in the window", share.hits, share.n);
    }
    text + "."
}

/// Sentences on how far the numbers carry, each about one club.
pub fn cautions(summary: &Summary) -> Vec<String> {
    let clubs = summary.clubs.iter();
    clubs.flat_map(|(club, group)| club_cautions(&club_name(club.as_deref()), group)).collect()
}

fn club_cautions(club: &str, group: &Group) -> Vec<String> {
    let mut sentences = Vec::new();
    let spread = group.set_to_top_ms.filter(|spread| spread.n > 1);
    if let (Some(spread), Some(sd)) = (spread, group.measurement_sd_ms) {
        let wide = number(spread.interquartile_range(), 0);
        let sd = whole_bar(sd);
        sentences.push(format!(
            "{club}: the middle half of the sets spans {wide} ms; a single set is measured to about ±{sd} ms."
        ));
    }
    if group.is_small() {
        sentences.push(format!("{club}: few swings, so the next ones may change these numbers a lot."));
    }
    if let Some(trend) = group.set_trend_ms.filter(|trend| trend.clear) {
        let direction = if trend.per_swing > 0.0 { "later" } else { "earlier" };
        let step = number(trend.per_swing.abs(), 1);
        sentences.push(format!("{club}: the set comes {direction} by about {step} ms a swing."));
    }
    sentences
}

/// Which swings stand in the table but not in the summary, and why.
#[must_use]
pub fn left_out(review: &Review) -> Vec<String> {
    let said = |place| {
        let why = clean(review.left_out(place)?);
        Some(format!("Swing {} is left out of the summary: {why}", review.number(place)))
    };
    (0..review.analysis.swings.len()).filter_map(said).collect()
}

/// One sentence for each swing that goes on hinging after the top: there the two definitions of the set differ.
pub fn second_definition(review: &Review) -> Vec<String> {
    let numbered = review.analysis.swings.iter().enumerate();
    let going_on = numbered.filter(|(_, swing)| swing.flags.contains(&Flag::HingesOnAfterTop));
    let sentence = |(place, swing): (usize, &Swing)| match (swing.set, swing.set_backswing_only) {
        (Some(set), Some(backswing)) => Some(format!(
            "Swing {}: set {}; counted to the largest hinge up to the top only, {}.",
            review.number(place),
            against_top(set.set_to_top_ms.value),
            against_top(backswing.set_to_top_ms.value)
        )),
        _ => None,
    };
    going_on.filter_map(sentence).collect()
}

/// A time against the top in words.
pub fn against_top(ms: f64) -> String {
    let side = if ms > 0.0 { "after" } else { "before" };
    format!("{} ms {side} the top", number(ms.abs(), 0))
}

/// What was lost of a node's samples, as a sentence.
pub fn loss_sentence(loss: &NodeLoss) -> String {
    let name = loss.role.word();
    let sent = loss.received + loss.missing;
    let mut text = if loss.missing == 0 {
        let all = if loss.jumps == 0 { "all " } else { "" };
        format!("{name} node: {all}{sent} samples arrived")
    } else {
        let percent = 100.0 * loss.missing as f64 / sent as f64;
        format!("{name} node: {} of {sent} samples are missing ({percent:.2} %)", loss.missing)
    };
    if loss.duplicates > 0 {
        text += &format!("; {} came twice and count once", loss.duplicates);
    }
    if loss.jumps > 0 {
        text += &format!("; its numbers jumped ({} ×): what was lost there is not known", loss.jumps);
    }
    text + "."
}

/// A change with so many decimals and its sign.
pub fn signed(change: f64, decimals: usize) -> String {
    let text = number(change, decimals);
    if text.starts_with('−') { text } else { format!("+{text}") }
}

/// A number with so many decimals and a real minus sign; never minus zero.
pub fn number(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return nothing();
    }
    let text = format!("{value:.decimals$}");
    let zero = !text.contains(|c: char| ('1'..='9').contains(&c));
    match text.strip_prefix('-') {
        Some(digits) if zero => digits.to_owned(),
        Some(digits) => format!("−{digits}"),
        None => text,
    }
}

/// Decimals that a bar earns: so many at least, and more while rounding would change it by more than a third.
pub fn earned(sd: f64, least: usize) -> usize {
    let shows = |decimals: &usize| sd * 10_f64.powi(i32::try_from(*decimals).unwrap_or(0)) >= 0.75;
    (least..least + 3).find(shows).unwrap_or(least)
}

/// A number with its uncertainty, in the decimals that this earns, so many at least.
pub fn with_bar(Measured { value, sd }: Measured, least: usize) -> String {
    let decimals = earned(sd, least);
    format!("{}\u{a0}±\u{a0}{}", number(value, decimals), number(sd, decimals))
}

/// A bar in whole units. One that is there never rounds to none: it reads as one unit.
pub fn whole_bar(sd: f64) -> String {
    number(if sd > 0.0 { sd.max(1.0) } else { sd }, 0)
}

/// A number and its uncertainty, whole, in a unit that is so many times smaller: for lists, where room is dear.
fn with_sd(measured: Measured, factor: f64, unit: &str) -> String {
    format!("{}\u{a0}±\u{a0}{}{unit}", number(measured.value * factor, 0), whole_bar(measured.sd * factor))
}

/// A number with its standard deviation, where it is known.
pub fn measured(measured: Option<Measured>, factor: f64, unit: &str) -> String {
    measured.map_or_else(nothing, |m| with_sd(m, factor, unit))
}

fn degrees(angle: Option<Measured>) -> String {
    angle.map_or_else(nothing, |m| number(m.value, 0))
}

fn half(spread: Option<Spread>, factor: f64, unit: &str) -> String {
    spread.filter(|s| s.n > 1).map_or_else(nothing, |s| {
        format!(
            "{}\u{a0}to\u{a0}{}{unit}",
            number(s.lower_quartile * factor, 0),
            number(s.upper_quartile * factor, 0)
        )
    })
}

fn interval(share: Share) -> String {
    format!("{}\u{a0}to\u{a0}{}\u{a0}%", percent(share.low), percent(share.high))
}

/// A part of the whole in per cent, a whole number without its sign.
pub fn percent(part: f64) -> String {
    number(100.0 * part, 0)
}

/// A number and its bar, both with so many decimals.
pub fn with_decimals(m: Measured, decimals: usize) -> String {
    format!("{}\u{a0}±\u{a0}{}", number(m.value, decimals), number(m.sd, decimals))
}

/// What stands where there is nothing to say, as a text of its own.
pub fn nothing() -> String {
    NOTHING.to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{AtEvents, BodyFlag, BodyTurn, StartBack};
    use crate::sample::NodeRole;
    use crate::units::DeviceTime;

    #[test]
    fn a_number_has_the_decimals_that_its_bar_earns() {
        let check = |value, sd, least, expected: &str| {
            assert_eq!(with_bar(Measured::new(value, sd), least).replace('\u{a0}', " "), expected);
        };
        check(-12.34, 3.4, 0, "−12 ± 3");
        check(12.34, 0.9, 0, "12 ± 1");
        check(12.34, 0.6, 0, "12.3 ± 0.6");
        check(0.62, 0.005, 2, "0.620 ± 0.005");
        check(1.5, 0.0, 1, "1.5 ± 0.0");
        check(42.14, 1.26, 1, "42.1 ± 1.3");
    }

    #[test]
    fn a_whole_bar_is_none_only_where_there_is_none() {
        let said = |value, sd| with_sd(Measured::new(value, sd), 1.0, " ms").replace('\u{a0}', " ");
        assert_eq!(said(-212.4, 0.3), "−212 ± 1 ms");
        assert_eq!(said(-212.4, 2.6), "−212 ± 3 ms");
        assert_eq!(said(3.0, 0.0), "3 ± 0 ms");
    }

    fn swing(lead_ms: f64, sd_ms: f64) -> Swing {
        let start_back = Some(StartBack {
            at: DeviceTime(0),
            lead_to_top_ms: Measured::new(lead_ms, sd_ms),
            lead_to_set_ms: None,
        });
        let pelvis = SegmentTurn {
            turn_at_top_deg: Measured::new(44.0, 1.0),
            tilt_at_impact_deg: Measured::new(7.0, 1.0),
            start_back,
            peak_dps: Measured::new(480.0, 4.0),
            peak: DeviceTime(0),
            flags: Vec::new(),
            curve: Vec::new(),
        };
        let body = Some(BodyTurn { pelvis: Some(pelvis), chest: None });
        Swing { body, ..Swing::bare(DeviceTime(0), DeviceTime(900_000)) }
    }

    #[test]
    fn what_the_bar_does_not_carry_is_not_said() {
        let said = |lead_ms, sd_ms| pelvis_sentence(&swing(lead_ms, sd_ms)).unwrap().replace('\u{a0}', " ");
        assert_eq!(said(72.0, 4.0), "The pelvis starts back 72 ± 4 ms before the arm does.");
        assert_eq!(said(-31.0, 4.0), "The pelvis starts back 31 ± 4 ms after the arm does.");
        assert_eq!(said(7.0, 4.0), "Pelvis and arm start back together, as far as can be told (to ± 4 ms).");
        let without = Swing { body: None, ..swing(72.0, 4.0) };
        assert_eq!(pelvis_sentence(&without), None);
        assert!(tells_pelvis(&[without.clone(), swing(72.0, 4.0)]) && !tells_pelvis(&[without]));
    }
    #[test]
    fn the_trunk_is_told_in_sentences_as_far_as_it_carries_nodes() {
        let mut swing = swing(72.0, 4.0);
        let said = |swing: &Swing| trunk_sentences(swing).join(" ").replace('\u{a0}', " ");
        assert_eq!(
            said(&swing),
            "The pelvis starts back 72 ± 4 ms before the arm does. Turned away from the target at the top: \
             pelvis 44 ± 1°. Leaning away from the target at impact: pelvis 7 ± 1°."
        );
        let body = swing.body.as_mut().unwrap();
        let flags = vec![BodyFlag::DataGap];
        body.chest = body.pelvis.clone().map(|pelvis| SegmentTurn { start_back: None, flags, ..pelvis });
        assert!(said(&swing).contains("at the top: pelvis 44 ± 1°, chest 44 ± 1°."), "{}", said(&swing));
        assert_eq!(doubts(&swing), ["chest: samples are missing within the swing"]);
        swing.body = None;
        assert!(said(&swing).is_empty() && doubts(&swing).is_empty());
    }

    #[test]
    fn angles_that_were_worked_out_are_said_to_be() {
        let measured = Swing::bare(DeviceTime(0), DeviceTime(1));
        let hinge_deg = AtEvents { top: Some(Measured::new(30.0, 2.0)), ..AtEvents::default() };
        let worked_out = Swing { hinge_deg, flags: vec![Flag::HandNodeAlone], ..measured.clone() };
        let without = Swing { flags: vec![Flag::HandNodeAlone], ..measured.clone() };
        let counted = "Hinge is counted from the address position.";
        assert_eq!(about_hinge(&[measured.clone(), without.clone()]), counted);
        assert_eq!(about_hinge(std::slice::from_ref(&worked_out)), format!("{counted} {WORKED_OUT}"));
        let some = about_hinge(&[measured, worked_out, without]);
        assert!(
            some.contains("In 1 of 3 swings only the hand node was there.") && some.ends_with(WORKED_OUT),
            "{some}"
        );
    }

    #[test]
    fn what_nobody_knows_to_be_lost_is_not_called_nothing() {
        let all = NodeLoss { role: NodeRole::Hand, received: 90, missing: 0, duplicates: 0, jumps: 0 };
        assert_eq!(loss_sentence(&all), "hand node: all 90 samples arrived.");
        let told = loss_sentence(&NodeLoss { jumps: 2, ..all });
        let unknown = "its numbers jumped (2 ×): what was lost there is not known.";
        assert_eq!(told, format!("hand node: 90 samples arrived; {unknown}"));
    }
}
