//! The live view in a terminal: one plain page that answers what a player asks between two swings. How was
//! that one, what am I aiming at, where is it going, is the glove well, what can I press.
//!
//! Pure but for [`terminal`]: a [`View`] gives lines, lines give a drawing.

mod fit;
pub mod keys;
pub mod terminal;

use crate::review::Review;
use crate::review::live::{
    CalibrationStep, ClubSoFar, Guess, HOW_TO_GUESS, Latest, LiveStatus, before_the_first,
};
use crate::review::page::Kind;
use fit::{Part, Worth, cells, end_of, fitted, folded, shortened};
use keys::{Asked, next_club};
use ratatui::Frame;
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Span, Text};
use std::collections::BTreeMap;

/// Where the values of a line begin, in cells.
const INDENT: usize = 12;
/// Widest drawing of the window, in cells.
const WIDEST_SCALE: usize = 60;
/// Arm travel at the right end of that drawing: sets after the top lie a little beyond it.
const SCALE_END: f64 = 1.1;
/// A narrower drawing tells nothing.
const NARROWEST_SCALE: usize = 10;
/// The newest lines that were said.
const SAID: usize = 3;

/// What the view shows.
#[derive(Clone, Copy)]
pub struct View<'a> {
    /// The bucket.
    pub review: &'a Review,
    /// How it fares beside its swings.
    pub status: &'a LiveStatus,
    /// What was said, newest last.
    pub said: &'a [String],
    /// What stays, by its name: where the page is.
    pub kept: &'a BTreeMap<&'static str, String>,
    /// What is asked on the last line.
    pub asked: &'a Asked,
    /// The clubs that `c` goes through.
    pub clubs: &'a [String],
}

/// Draws it over the whole frame. Where the terminal is too small, what matters least is left out, which a mark tells;
/// the last line with the keys always stands.
pub fn draw(frame: &mut Frame<'_>, view: &View<'_>) {
    let area = frame.area();
    let [mut body, mut last] = [area; 2];
    body.height = area.height.saturating_sub(1);
    last.y = area.y + body.height;
    last.height = area.height.min(1);
    let width = usize::from(area.width);
    let lines = fitted(parts(view, width), usize::from(body.height));
    frame.render_widget(Text::from(lines), body);
    frame.render_widget(last_line(view, width), last);
}

fn parts(view: &View<'_>, width: usize) -> Vec<Part> {
    let latest = Latest::of(view.review);
    let club = ClubSoFar::of(view.review, view.status.club.as_deref());
    let blank = || part(Worth::Blank, vec![Line::default()]);
    let mut all = vec![part(Worth::Heading, vec![heading(view.review, width)]), blank()];
    match (view.status.calibration, &view.status.guess) {
        (Some(step), _) => all.push(calibration(step, width)),
        (None, Guess::Waits) => all.push(part(Worth::Swing, question(view.status.swings, width))),
        (None, _) => all.extend(swing(view.review, latest.as_ref(), &view.status.guess, width)),
    }
    all.push(blank());
    all.extend(window(&club, latest.as_ref(), width));
    all.extend(so_far(&club, width));
    all.push(blank());
    for fact in view.status.facts() {
        let (style, worth) =
            if fact.wrong { (attention(), Worth::Trouble) } else { (Style::new(), Worth::Well) };
        all.push(part(worth, named(fact.name, &fact.words, style, width)));
    }
    for (name, words) in view.kept {
        all.push(part(Worth::Well, named(name, words, Style::new(), width)));
    }
    all.push(blank());
    let said = view.said.get(view.said.len().saturating_sub(SAID)..).unwrap_or_default();
    for (at, sentence) in said.iter().enumerate() {
        let worth = if at + 1 == said.len() { Worth::Said } else { Worth::SaidBefore(at) };
        all.push(part(worth, told(sentence, soft(), width)));
    }
    all
}

fn part(worth: Worth, lines: Vec<Line<'static>>) -> Part {
    Part { worth, lines }
}

fn heading(review: &Review, width: usize) -> Line<'static> {
    let player = review.player.as_ref().map_or_else(String::new, |player| format!("{}, ", clean(player)));
    let text = format!("hingeclock   {player}{}", clean(&review.input));
    Line::styled(shortened(&text, width), soft())
}

/// A sentence over as many lines as it takes.
fn told(text: &str, style: Style, width: usize) -> Vec<Line<'static>> {
    folded(&clean(text), width).into_iter().map(|text| Line::styled(text, style)).collect()
}

/// A swing that the player shall guess first: nothing of it is shown.
fn question(number: u64, width: usize) -> Vec<Line<'static>> {
    let mut lines =
        vec![Line::from(format!("Swing {number}")), Line::styled("? YOUR GUESS", Style::new().bold())];
    lines.extend(told(HOW_TO_GUESS, Style::new(), width));
    lines
}

/// What the calibration asks for stands where the player looks.
fn calibration(step: CalibrationStep, width: usize) -> Part {
    let mut lines = told(&step.title(), Style::new(), width);
    lines.extend(told(step.words, Style::new().bold(), width));
    part(Worth::Swing, lines)
}

fn swing(review: &Review, latest: Option<&Latest>, guess: &Guess, width: usize) -> Vec<Part> {
    let Some(latest) = latest else {
        let waiting = told(&before_the_first(review), Style::new().bold(), width);
        return vec![part(Worth::Swing, waiting)];
    };
    let verdict = format!("{} {}", sign(latest.kind), latest.kind.words().to_uppercase());
    let mut lines = told(&latest.title, Style::new(), width);
    lines.push(Line::styled(verdict, Style::new().fg(colour(latest.kind)).bold()));
    if let Guess::Made(sentence) = guess {
        lines.extend(told(sentence, Style::new(), width));
    }
    for sentence in [&latest.sentence].into_iter().chain(&latest.trunk) {
        lines.extend(told(sentence, Style::new(), width));
    }
    let mut all = vec![part(Worth::Swing, lines)];
    let doubts = latest.doubts.join("; ");
    if !doubts.is_empty() {
        all.push(part(Worth::Doubts, told(&format!("Less sure: {doubts}."), soft(), width)));
    }
    all
}

/// The club's window on the arm's travel, and where the newest set lies if it was with this club.
fn window(club: &ClubSoFar, latest: Option<&Latest>, width: usize) -> Vec<Part> {
    let words = format!("{}: {}", clean(&club.club), club.window_words());
    let mut all = vec![part(Worth::Aim, named("Aim", &words, Style::new(), width))];
    let Some(window) = club.window else { return all };
    let room = width.saturating_sub(INDENT + 1).min(WIDEST_SCALE);
    if room < NARROWEST_SCALE {
        return all;
    }
    let place = |travel: f64| {
        let cell = (travel.clamp(0.0, SCALE_END) / SCALE_END * (room - 1) as f64).round();
        cell as usize
    };
    let shown = latest.filter(|_| club.has_newest);
    let set = shown.and_then(|latest| Some((place(latest.travel?.value), latest.kind)));
    let spans = (0..room).map(|cell| match set {
        Some((at, kind)) if at == cell => Span::styled(sign(kind), Style::new().fg(colour(kind)).bold()),
        _ if (place(window.from)..=place(window.to)).contains(&cell) => {
            Span::styled("=", Style::new().bold())
        }
        _ if cell == place(1.0) => Span::styled("|", soft()),
        _ => Span::styled("·", soft()),
    });
    let top = place(1.0).saturating_sub("takeaway".len() + 1);
    let ends = Line::styled(format!("{:INDENT$}takeaway{:>top$}", "", "top"), soft());
    all.push(part(Worth::Drawing, vec![indented(spans.collect()), ends]));
    all
}

fn so_far(club: &ClubSoFar, width: usize) -> [Part; 2] {
    let mut lines = named("So far", &club.sentence, Style::new(), width);
    let room = (width.saturating_sub(INDENT) / 2).max(1);
    let from = club.kinds.len().saturating_sub(room);
    let signs = club.kinds.iter().skip(from);
    let signs: Vec<Span<'static>> =
        signs.map(|kind| Span::styled(format!("{} ", sign(*kind)), Style::new().fg(colour(*kind)))).collect();
    if !signs.is_empty() {
        lines.push(indented(signs));
    }
    let trend = named("Trend", &club.trend, Style::new(), width);
    [part(Worth::SoFar, lines), part(Worth::SoFar, trend)]
}

fn last_line(view: &View<'_>, width: usize) -> Line<'static> {
    let (question, text) = match view.asked {
        Asked::Nothing => return key_line(view, width),
        Asked::Club(text) => ("Club: ", text.as_str()),
        Asked::Mark(text) => ("Mark: ", text.as_str()),
        Asked::End => {
            let whole = "End the bucket? y ends it, any other key goes on";
            let question = if whole.len() <= width { whole } else { "End? y: yes" };
            return Line::styled(question, Style::new().bold());
        }
    };
    let how = "   Enter, or Esc";
    let room = width.saturating_sub(question.len() + 1);
    // The hint makes room for what is typed.
    let how = if cells(text) + how.len() <= room { how } else { "" };
    let typed = Span::styled(format!("{}_", end_of(text, room)), Style::new().bold());
    Line::from(vec![Span::raw(question), typed, Span::styled(how, soft())])
}

/// The keys, as many as there is room for; how to end always stands.
fn key_line(view: &View<'_>, width: usize) -> Line<'static> {
    let next = next_club(view.clubs, view.status.club.as_deref());
    let next = next.map_or_else(|| "club".to_owned(), |club| format!("take {}", clean(club)));
    let mute = if view.status.muted { "sound on" } else { "mute" };
    let keys =
        [("c", next.as_str()), ("n", "other club"), ("m", "mark"), ("space", mute), ("k", "calibrate")];
    let end = ("q", "end");
    // The first so many, a mark for those that are left out, and how to end.
    let line = |kept: usize| {
        let more = (kept < keys.len()).then_some(("…", ""));
        keys.iter().copied().take(kept).chain(more).chain([end]).collect::<Vec<_>>()
    };
    let after = |words: &str| if words.is_empty() { String::new() } else { format!(" {words}") };
    let long = |keys: &[(&str, &str)], gap: usize| {
        let taken = |(key, words): &(&str, &str)| cells(key) + cells(&after(words)) + gap;
        keys.iter().map(taken).sum::<usize>() - gap
    };
    let gap = if long(&line(keys.len()), 3) <= width { 3 } else { 1 };
    let fitting = (0..=keys.len()).rev().map(line).find(|line| long(line, gap) <= width);
    let keys = fitting.unwrap_or_else(|| vec![end]);
    let spans = keys.iter().flat_map(|(key, words)| {
        let (key, words) = ((*key).to_owned(), format!("{}{:gap$}", after(words), ""));
        [Span::styled(key, Style::new().bold()), Span::styled(words, soft())]
    });
    Line::from(spans.collect::<Vec<_>>())
}

/// Lines of text after a name; in a narrow window the name stands before them, and nothing is indented.
fn named(name: &'static str, text: &str, style: Style, width: usize) -> Vec<Line<'static>> {
    if width < 3 * INDENT {
        return told(&format!("{name}: {text}"), style, width);
    }
    let lines = folded(&clean(text), width - INDENT).into_iter().enumerate();
    let lines = lines.map(|(at, text)| {
        let name = if at == 0 { name } else { "" };
        Line::from(vec![Span::styled(format!("{name:INDENT$}"), soft()), Span::styled(text, style)])
    });
    lines.collect()
}

fn indented(mut spans: Vec<Span<'static>>) -> Line<'static> {
    spans.insert(0, Span::raw(format!("{:INDENT$}", "")));
    Line::from(spans)
}

/// A sign of its own for each verdict, so that colour is never needed.
fn sign(kind: Kind) -> &'static str {
    match kind {
        Kind::Early => "<",
        Kind::InWindow => "o",
        Kind::Late => ">",
        Kind::NoSet => "-",
        Kind::Plain => "+",
    }
}

fn colour(kind: Kind) -> Color {
    match kind {
        Kind::Early => Color::Yellow,
        Kind::InWindow => Color::Cyan,
        Kind::Late => Color::Magenta,
        Kind::NoSet | Kind::Plain => Color::Reset,
    }
}

fn soft() -> Style {
    Style::new().add_modifier(Modifier::DIM)
}

fn attention() -> Style {
    Style::new().add_modifier(Modifier::BOLD | Modifier::REVERSED)
}

/// Text from outside without what a terminal would obey.
fn clean(text: &str) -> String {
    text.chars().filter(|letter| !letter.is_control()).collect()
}
