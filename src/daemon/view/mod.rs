//! The live view in a terminal: one plain page that answers what a player asks between two swings. How was
//! that one, what am I aiming at, where is it going, is the glove well, what can I press.
//!
//! Pure but for [`terminal`]: a [`View`] gives lines, lines give a drawing.

pub mod keys;
pub mod terminal;

use crate::review::Review;
use crate::review::live::{ClubSoFar, Guess, HOW_TO_GUESS, Latest, LiveStatus};
use crate::review::page::Kind;
use keys::{Asked, next_club};
use ratatui::Frame;
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Span, Text};

/// Where the values of a line begin, in characters.
const INDENT: usize = 12;
/// Widest drawing of the window, in characters.
const WIDEST_SCALE: usize = 60;
/// Arm travel at the right end of that drawing: sets after the top lie a little beyond it.
const SCALE_END: f64 = 1.1;
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
    /// What is asked on the last line.
    pub asked: &'a Asked,
    /// The clubs that `c` goes through.
    pub clubs: &'a [String],
}

/// Draws it over the whole frame. Where the terminal is too low, what stands farther down is left out; the
/// last line with the keys always stands.
pub fn draw(frame: &mut Frame<'_>, view: &View<'_>) {
    let area = frame.area();
    let [mut body, mut last] = [area; 2];
    body.height = area.height.saturating_sub(1);
    last.y = area.y + body.height;
    last.height = area.height.min(1);
    frame.render_widget(Text::from(lines(view, usize::from(area.width))), body);
    frame.render_widget(last_line(view), last);
}

fn lines(view: &View<'_>, width: usize) -> Vec<Line<'static>> {
    let latest = Latest::of(view.review, view.status.shown());
    let club = ClubSoFar::of(view.review, view.status.club.as_deref());
    let mut lines = vec![heading(view.review)];
    match view.status.guess {
        Guess::Waits => lines.extend(question(view.status.swings, width)),
        _ => lines.extend(swing(latest.as_ref(), &view.status.guess, width)),
    }
    lines.push(Line::default());
    lines.extend(window(&club, latest.as_ref(), width));
    lines.extend(so_far(&club, width));
    lines.push(Line::default());
    for fact in view.status.facts() {
        let style = if fact.wrong { attention() } else { Style::new() };
        lines.push(named(fact.name, vec![Span::styled(fact.words, style)]));
    }
    lines.push(Line::default());
    let said = view.said.get(view.said.len().saturating_sub(SAID)..).unwrap_or_default();
    let room = width.max(1);
    for sentence in said {
        lines.extend(folded(sentence, room).into_iter().map(|text| Line::styled(text, soft())));
    }
    lines
}

fn heading(review: &Review) -> Line<'static> {
    let player = review.player.as_ref().map_or_else(String::new, |player| format!("{}, ", clean(player)));
    Line::styled(format!("hingeclock   {player}{}", clean(&review.input)), soft())
}

/// A swing that the player shall guess first: nothing of it is shown.
fn question(number: u64, width: usize) -> Vec<Line<'static>> {
    let mut lines = vec![
        Line::default(),
        Line::from(format!("Swing {number}")),
        Line::styled("? YOUR GUESS", Style::new().bold()),
    ];
    lines.extend(folded(HOW_TO_GUESS, width.max(1)).into_iter().map(Line::from));
    lines
}

fn swing(latest: Option<&Latest>, guess: &Guess, width: usize) -> Vec<Line<'static>> {
    let Some(latest) = latest else {
        let waiting = Line::styled("Waiting for the first swing.", Style::new().bold());
        return vec![Line::default(), waiting];
    };
    let verdict = format!("{} {}", sign(latest.kind), latest.kind.words().to_uppercase());
    let mut lines = vec![
        Line::default(),
        Line::from(clean(&latest.title)),
        Line::styled(verdict, Style::new().fg(colour(latest.kind)).bold()),
    ];
    if let Guess::Made(sentence) = guess {
        lines.extend(folded(sentence, width.max(1)).into_iter().map(Line::from));
    }
    for sentence in [&latest.sentence].into_iter().chain(&latest.trunk) {
        lines.extend(folded(sentence, width.max(1)).into_iter().map(Line::from));
    }
    let doubts = latest.doubts.join("; ");
    if !doubts.is_empty() {
        let doubts = folded(&format!("Less sure: {doubts}."), width.max(1));
        lines.extend(doubts.into_iter().map(|text| Line::styled(text, soft())));
    }
    lines
}

/// The club's window on the arm's travel, and where the newest set lies if it was with this club.
fn window(club: &ClubSoFar, latest: Option<&Latest>, width: usize) -> Vec<Line<'static>> {
    let words = format!("{}: {}", clean(&club.club), club.window_words());
    let mut lines = vec![named("Aim", vec![Span::raw(words)])];
    let Some(window) = club.window else { return lines };
    let room = width.saturating_sub(INDENT + 1).min(WIDEST_SCALE);
    if room < 10 {
        return lines;
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
    lines.push(named("", spans.collect()));
    let top = place(1.0).saturating_sub("takeaway".len() + 1);
    lines.push(Line::styled(format!("{:INDENT$}takeaway{:>top$}", "", "top"), soft()));
    lines
}

fn so_far(club: &ClubSoFar, width: usize) -> Vec<Line<'static>> {
    let mut lines = vec![named("So far", vec![Span::raw(club.sentence.clone())])];
    let room = (width.saturating_sub(INDENT) / 2).max(1);
    let from = club.kinds.len().saturating_sub(room);
    let signs = club.kinds.iter().skip(from);
    let signs: Vec<Span<'static>> =
        signs.map(|kind| Span::styled(format!("{} ", sign(*kind)), Style::new().fg(colour(*kind)))).collect();
    if !signs.is_empty() {
        lines.push(named("", signs));
    }
    lines.push(named("Trend", vec![Span::raw(club.trend.clone())]));
    lines
}

fn last_line(view: &View<'_>) -> Line<'static> {
    let (question, text) = match view.asked {
        Asked::Nothing => return key_line(view),
        Asked::Club(text) => ("Club", text.as_str()),
        Asked::Mark(text) => ("Mark", text.as_str()),
        Asked::End => {
            return Line::styled("End the bucket? y ends it, any other key goes on", Style::new().bold());
        }
    };
    let typed = Span::styled(format!("{text}_"), Style::new().bold());
    Line::from(vec![Span::raw(format!("{question}: ")), typed, Span::styled("   Enter, or Esc", soft())])
}

fn key_line(view: &View<'_>) -> Line<'static> {
    let next = next_club(view.clubs, view.status.club.as_deref());
    let next = next.map_or_else(|| "club".to_owned(), |club| format!("take {}", clean(club)));
    let mute = if view.status.muted { "sound on" } else { "mute" };
    let keys = [
        ("c", next.as_str()),
        ("n", "other club"),
        ("m", "mark"),
        ("space", mute),
        ("k", "calibrate"),
        ("q", "end"),
    ];
    let spans = keys.iter().flat_map(|(key, words)| {
        [Span::styled((*key).to_owned(), Style::new().bold()), Span::styled(format!(" {words}   "), soft())]
    });
    Line::from(spans.collect::<Vec<_>>())
}

fn named(name: &'static str, mut spans: Vec<Span<'static>>) -> Line<'static> {
    spans.insert(0, Span::styled(format!("{name:INDENT$}"), soft()));
    Line::from(spans)
}

/// A sign of its own for each verdict, so that colour is never needed.
fn sign(kind: Kind) -> &'static str {
    match kind {
        Kind::Early => "<",
        Kind::In => "o",
        Kind::Late => ">",
        Kind::NoSet => "-",
        Kind::Plain => "+",
    }
}

fn colour(kind: Kind) -> Color {
    match kind {
        Kind::Early => Color::Yellow,
        Kind::In => Color::Cyan,
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

/// A sentence broken between words into lines of this width.
fn folded(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in clean(text).split_whitespace() {
        let Some(line) = lines.last_mut() else { break };
        if line.is_empty() {
            line.push_str(word);
        } else if line.chars().count() + 1 + word.chars().count() <= width {
            line.push(' ');
            line.push_str(word);
        } else {
            lines.push(word.to_owned());
        }
    }
    lines
}
