//! Speeds, and what changes are worth, as JSON. A number that is unknown is `null`, with the reason beside it.

use super::worth::{ClubWorth, Curve, VALIDITY, Worth};
use super::{ASSUMED, Figure, SwingSpeed};
use crate::record::measures::{ArmMeasures, ClubMeasures};
use crate::review::Review;
use crate::review::json::{fraction, hundredths};
use serde::{Serialize, Serializer};

/// The `speed` object of a bucket.
#[derive(Serialize)]
pub struct SpeedObject<'a> {
    assumed: &'static str,
    arm: Option<ArmMeasures>,
    swings: Vec<SwingSpeedObject<'a>>,
}

impl<'a> SpeedObject<'a> {
    /// The speeds of a bucket's swings.
    #[must_use]
    pub fn of(review: &'a Review) -> SpeedObject<'a> {
        SpeedObject::of_speeds(review, &speeds(review))
    }

    fn of_speeds(review: &'a Review, speeds: &[Result<SwingSpeed, &'a str>]) -> SpeedObject<'a> {
        let swings = review.analysis.swings.iter().zip(speeds).zip(1..).map(|((swing, speed), index)| {
            let known = speed.as_ref().ok();
            SwingSpeedObject {
                index,
                club: swing.club.as_deref(),
                why_not: speed.as_ref().err().copied(),
                measures: known.map(|speed| speed.club),
                figures: known.map(|speed| Figures(speed.figures())),
            }
        });
        let arm = review.measures.as_ref().ok().map(|measures| measures.arm);
        SpeedObject { assumed: ASSUMED, arm, swings: swings.collect() }
    }
}

/// The speeds of every swing, or why there are none.
fn speeds(review: &Review) -> Vec<Result<SwingSpeed, &str>> {
    review.analysis.swings.iter().map(|swing| SwingSpeed::in_bucket(review, swing)).collect()
}

#[derive(Serialize)]
struct SwingSpeedObject<'a> {
    index: usize,
    club: Option<&'a str>,
    why_not: Option<&'a str>,
    measures: Option<ClubMeasures>,
    figures: Option<Figures>,
}

/// Figures by their names, in order.
struct Figures(Vec<(&'static str, Figure)>);

impl Serialize for Figures {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let object = |(name, figure): &(&'static str, Figure)| {
            // Metres have four decimals, all else two.
            let rounded = if name.ends_with("_m") { fraction } else { hundredths };
            (*name, FigureObject::of(figure, rounded))
        };
        serializer.collect_map(self.0.iter().map(object))
    }
}

#[derive(Serialize)]
struct FigureObject {
    value: Option<f64>,
    sd: Option<f64>,
    why_not: Option<&'static str>,
}

impl FigureObject {
    fn of(figure: &Figure, rounded: fn(f64) -> Option<f64>) -> FigureObject {
        FigureObject {
            value: figure.as_ref().ok().and_then(|m| rounded(m.value)),
            sd: figure.as_ref().ok().and_then(|m| rounded(m.sd)),
            why_not: figure.as_ref().err().copied(),
        }
    }
}

/// Speeds, and what changes are worth where that was asked for, as text, indented, with a newline at the end.
///
/// # Errors
/// When serialising fails, which the types do not allow for.
pub fn text(review: &Review, worth: Option<&[ClubWorth]>) -> Result<String, serde_json::Error> {
    let speeds = speeds(review);
    let object = WholeObject {
        schema: crate::review::json::SCHEMA,
        input: &review.input,
        player: review.player.as_deref(),
        speed: SpeedObject::of_speeds(review, &speeds),
        hand_paths: paths(review, &speeds),
        what_if: worth.map(WhatIfObject::of),
    };
    let mut text = serde_json::to_string_pretty(&object)?;
    text.push('\n');
    Ok(text)
}

/// What changes are worth with one club, as text: the `what_if` object with that club alone.
///
/// # Errors
/// When serialising fails, which the types do not allow for.
pub fn club_text(club: &ClubWorth) -> Result<String, serde_json::Error> {
    serde_json::to_string(&WhatIfObject::of(std::slice::from_ref(club)))
}

#[derive(Serialize)]
struct WholeObject<'a> {
    schema: u32,
    input: &'a str,
    player: Option<&'a str>,
    speed: SpeedObject<'a>,
    hand_paths: Vec<PathObject>,
    #[serde(skip_serializing_if = "Option::is_none")]
    what_if: Option<WhatIfObject<'a>>,
}

/// Said with every path.
const PATH_FRAME: &str = "m from where the hand was at the takeaway, as the player stands: towards the target (the \
    horizontal line in the arm's plane stands for it), up, away from the body";

/// The hand's and the hub's path of one swing, ms against the ball.
#[derive(Serialize)]
struct PathObject {
    index: usize,
    frame: &'static str,
    at_ball_sd_m: Option<f64>,
    t_ms: Vec<Option<f64>>,
    hand_m: Vec<[Option<f64>; 3]>,
    hub_m: Vec<[Option<f64>; 3]>,
}

/// The paths that there are; a swing without one says why among its figures.
fn paths(review: &Review, speeds: &[Result<SwingSpeed, &str>]) -> Vec<PathObject> {
    let path = |(place, speed): (usize, &Result<SwingSpeed, &str>)| {
        let path = speed.as_ref().ok()?.path.as_ref().ok()?;
        let place_of = |at: &nalgebra::Vector3<f64>| [at.x, at.y, at.z].map(fraction);
        Some(PathObject {
            index: review.number(place),
            frame: PATH_FRAME,
            at_ball_sd_m: fraction(path.at_ball_sd_m),
            t_ms: path.points.iter().map(|point| hundredths(point.t_s * 1e3)).collect(),
            hand_m: path.points.iter().map(|point| place_of(&point.hand_m)).collect(),
            hub_m: path.points.iter().map(|point| place_of(&point.hub_m)).collect(),
        })
    };
    speeds.iter().enumerate().filter_map(path).collect()
}

/// What changes are worth, for a page that draws them as curves.
#[derive(Serialize)]
pub struct WhatIfObject<'a> {
    validity: &'static str,
    clubs: Vec<ClubObject<'a>>,
}

impl<'a> WhatIfObject<'a> {
    /// The clubs of a bucket.
    #[must_use]
    pub fn of(worth: &'a [ClubWorth]) -> WhatIfObject<'a> {
        WhatIfObject { validity: VALIDITY, clubs: worth.iter().map(ClubObject::of).collect() }
    }
}

#[derive(Serialize)]
struct ClubObject<'a> {
    club: &'a str,
    swings: &'a [usize],
    head_mps: Option<f64>,
    head_mps_own_sd: Option<f64>,
    fit_wrist_mm: Option<f64>,
    fit_head_share: Option<f64>,
    left_out: &'a [&'static str],
    curves: Vec<CurveObject>,
}

impl<'a> ClubObject<'a> {
    fn of(club: &'a ClubWorth) -> ClubObject<'a> {
        ClubObject {
            club: &club.club,
            swings: &club.swings,
            head_mps: club.head_mps.and_then(|spread| hundredths(spread.median)),
            head_mps_own_sd: club.head_mps.and_then(|spread| spread.robust_sd).and_then(hundredths),
            fit_wrist_mm: club.fit.and_then(|(wrist, _)| hundredths(wrist)),
            fit_head_share: club.fit.and_then(|(_, head)| fraction(head)),
            left_out: &club.left_out,
            curves: club.curves.iter().map(CurveObject::of).collect(),
        }
    }
}

#[derive(Serialize)]
struct CurveObject {
    change: &'static str,
    unit: &'static str,
    meaning: &'static str,
    more: &'static str,
    less: &'static str,
    swings: usize,
    own_sd: Option<f64>,
    per_own_sd_mps: Option<f64>,
    points: Vec<PointObject>,
}

impl CurveObject {
    fn of(curve: &Curve) -> CurveObject {
        let (more, less) = curve.change.more_and_less();
        CurveObject {
            change: curve.change.word(),
            unit: curve.change.unit(),
            meaning: curve.change.sentence(),
            more,
            less,
            swings: curve.swings,
            own_sd: curve.own_sd.and_then(hundredths),
            per_own_sd_mps: curve.per_own_sd_mps.and_then(hundredths),
            points: curve.points.iter().map(PointObject::of).collect(),
        }
    }
}

#[derive(Serialize)]
struct PointObject {
    by: f64,
    head_mps: Option<f64>,
    change_mps: Option<f64>,
    change_low_mps: Option<f64>,
    change_high_mps: Option<f64>,
    beyond: bool,
}

impl PointObject {
    fn of(point: &Worth) -> PointObject {
        PointObject {
            by: point.by,
            head_mps: point.head_mps.and_then(hundredths),
            change_mps: point.change_mps.and_then(hundredths),
            change_low_mps: point.range_mps.and_then(|(low, _)| hundredths(low)),
            change_high_mps: point.range_mps.and_then(|(_, high)| hundredths(high)),
            beyond: point.beyond,
        }
    }
}
