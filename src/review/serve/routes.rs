//! Every address of the server, behind the gate.

use super::Site;
use super::assets::asset;
use super::bench::{Meant, OWN, Refused};
use super::gate::{Asked, Gate, judge};
use super::pairing::Tried;
use super::sharing::COOKIE;
use super::socket;
use crate::record::export::Names;
use crate::record::library::moved::Moved;
use crate::record::library::remarks::Said;
use crate::record::library::search::Wanted;
use crate::review::compare::choice::Asked as Sides;
use crate::review::json;
use crate::review::page::{compare as compare_page, library, pair, report as report_page, served, swing};
use crate::units::DeviceTime;
use axum::Router;
use axum::body::{Body, Bytes, HttpBody};
use axum::extract::{ConnectInfo, DefaultBodyLimit, Path, RawQuery, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use serde::{Deserialize, Deserializer};
use std::net::SocketAddr;
use std::time::Duration;

const POLICY: &str = "default-src 'none'; script-src 'self'; connect-src 'self'; style-src 'self'; \
                      img-src data:; media-src blob:; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";
/// A request that takes longer is broken off: whoever sends half of one holds nothing up.
const ANSWERED_WITHIN: Duration = Duration::from_secs(60);
/// Longest body of a request, bytes.
const BODY_MAX: usize = 16 << 10;
const PLAIN: &str = "text/plain; charset=utf-8";
/// Swings on one page of the library.
const ROWS: usize = 100;

/// All addresses. Pages that stand by themselves are merged in by one line each.
pub(super) fn router(site: Site, more: Router) -> Router {
    Router::new()
        .route("/", get(home))
        .route("/analysis.json", get(own_analysis))
        .route("/healthz", get(|| async { "ok\n" }))
        .route("/live", get(socket::follow))
        .route("/assets/{name}", get(give_asset))
        .route("/library", get(list))
        .route("/compare", get(compare))
        .route("/bucket/{key}", get(bucket))
        .route("/bucket/{key}/analysis.json", get(analysis))
        .route("/bucket/{key}/remark", post(remark))
        .route("/bucket/{key}/report", get(report))
        .route("/bucket/{key}/swing/{number}", get(swing_page))
        .route("/bucket/{key}/swing/{number}/motion.json", get(motion))
        .route("/bucket/{key}/swing/{number}/worth.json", get(worth))
        .route("/bucket/{key}/swing/{number}/raw", get(raw))
        .route("/pair", get(pair_page).post(try_code))
        .with_state(site.clone())
        .merge(more)
        .layer(DefaultBodyLimit::max(BODY_MAX))
        .layer(middleware::from_fn_with_state(site, guard))
}

impl IntoResponse for Refused {
    fn into_response(self) -> Response {
        let status = match &self {
            Refused::Missing(_) => StatusCode::NOT_FOUND,
            Refused::Asked(_) => StatusCode::CONFLICT,
            Refused::Failed(_) => StatusCode::INTERNAL_SERVER_ERROR,
        };
        (status, format!("{self}\n")).into_response()
    }
}

/// Asks the gate, and adds the headers that every answer carries.
async fn guard(State(site): State<Site>, request: Request, next: Next) -> Response {
    let asked = asked(&site, &request);
    let headers = request.headers();
    let wants_page = text_of(headers, header::ACCEPT).is_some_and(|kinds| kinds.contains("text/html"));
    let claims = text_of(headers, header::CONTENT_LENGTH).and_then(|length| length.parse::<u64>().ok());
    let response = match judge(&asked, site.sharing.is_some()) {
        // Not waited for, however much of it comes.
        Gate::Open if claims.is_some_and(|claims| claims > BODY_MAX as u64) => {
            ([(header::CONNECTION, "close")], StatusCode::PAYLOAD_TOO_LARGE).into_response()
        }
        Gate::Open => tokio::time::timeout(ANSWERED_WITHIN, next.run(request))
            .await
            .unwrap_or_else(|_| StatusCode::REQUEST_TIMEOUT.into_response()),
        Gate::Pair if wants_page && !asked.weighs => Redirect::to("/pair").into_response(),
        Gate::Pair => (StatusCode::UNAUTHORIZED, "this device has to be paired at /pair\n").into_response(),
        Gate::Shut(why) => (StatusCode::FORBIDDEN, format!("{why}\n")).into_response(),
    };
    finished(response)
}

fn text_of(headers: &HeaderMap, name: HeaderName) -> Option<&str> {
    headers.get(name).and_then(|value| value.to_str().ok())
}

/// What the gate judges a request by.
fn asked<'a>(site: &Site, request: &'a Request) -> Asked<'a> {
    let (headers, path) = (request.headers(), request.uri().path());
    let peer = request.extensions().get::<ConnectInfo<SocketAddr>>().map(|peer| peer.0.ip());
    let mut cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    Asked {
        host: text_of(headers, header::HOST),
        origin: text_of(headers, header::ORIGIN),
        fetch_site: text_of(headers, HeaderName::from_static("sec-fetch-site")),
        weighs: !matches!(*request.method(), Method::GET | Method::HEAD) || path == "/live",
        from_here: peer.is_some_and(|peer| peer.to_canonical().is_loopback()),
        paired: site.sharing.as_ref().is_some_and(|sharing| cookies.any(|cookie| sharing.knows(cookie))),
        is_pairing: matches!(path, "/pair" | "/assets/page.css" | "/assets/bench.css" | "/assets/numbers.js"),
    }
}

/// The answer with words, where it has none of its own, and with what every answer says to the browser.
fn finished(mut response: Response) -> Response {
    if let Some(words) = in_words(response.status()).filter(|_| response.body().is_end_stream()) {
        *response.body_mut() = Body::from(words);
        response.headers_mut().remove(header::CONTENT_LENGTH);
        response.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static(PLAIN));
    }
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    // Within the server the origin of a form has to be told; to others nothing is.
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}

/// What is said where an answer has no words of its own.
fn in_words(status: StatusCode) -> Option<&'static str> {
    match status {
        StatusCode::NOT_FOUND => Some("there is nothing at this address; the first page is /\n"),
        StatusCode::METHOD_NOT_ALLOWED => Some("this address does not take that method\n"),
        StatusCode::PAYLOAD_TOO_LARGE => Some("expected a body of at most 16 KiB, found a longer one\n"),
        StatusCode::UNSUPPORTED_MEDIA_TYPE => Some("expected a body of the kind application/json\n"),
        StatusCode::REQUEST_TIMEOUT => Some("this took longer than a minute and was broken off\n"),
        _ => None,
    }
}

async fn home(State(site): State<Site>) -> Result<Response, Refused> {
    if site.model.is_none() {
        return Ok(Redirect::to("/library").into_response());
    }
    bucket(State(site), Path(OWN.to_owned())).await.map(IntoResponse::into_response)
}

async fn bucket(State(site): State<Site>, Path(key): Path<String>) -> Result<Html<String>, Refused> {
    let status = site.status.as_ref().map(|status| std::sync::Arc::clone(&status.borrow()));
    site.of_bucket(key, move |_, shown| Ok(Html(served::page(shown, status.as_deref())))).await
}

fn json_of(text: String) -> Response {
    ([(header::CONTENT_TYPE, "application/json")], text).into_response()
}

async fn own_analysis(site: State<Site>) -> Result<Response, Refused> {
    analysis(site, Path(OWN.to_owned())).await
}

async fn analysis(State(site): State<Site>, Path(key): Path<String>) -> Result<Response, Refused> {
    let text = site
        .of_bucket(key, |_, shown| {
            json::text(&shown.model.review).map_err(|error| Refused::Failed(error.to_string()))
        })
        .await?;
    Ok(json_of(text))
}

async fn give_asset(Path(name): Path<String>) -> Response {
    match asset(&name) {
        Some((kind, content)) => ([(header::CONTENT_TYPE, kind)], content).into_response(),
        None => StatusCode::NOT_FOUND.into_response(),
    }
}

/// What the page sends to have a remark kept.
#[derive(Deserialize)]
struct NewRemark {
    /// The swing's number on the page; without one the bucket as a whole is meant.
    number: Option<usize>,
    /// Its takeaway, so that it is certainly that one.
    takeaway_us: Option<i64>,
    #[serde(flatten)]
    said: Said,
}

async fn remark(
    State(site): State<Site>,
    Path(key): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Response, Refused> {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok());
    if kind != Some("application/json") {
        return Ok(StatusCode::UNSUPPORTED_MEDIA_TYPE.into_response());
    }
    let wrong = |what: String| (StatusCode::BAD_REQUEST, format!("{what}\n")).into_response();
    let NewRemark { number, takeaway_us, said } = match serde_json::from_slice(&body) {
        Ok(remark) => remark,
        Err(error) => return Ok(wrong(format!("expected a remark: {error}"))),
    };
    let Some(swing) = meant(number, takeaway_us).filter(|swing| may_be_said(&said, swing.is_some())) else {
        return Ok(wrong("expected something that can be said of a swing, or of a bucket".to_owned()));
    };
    site.of_bucket(key, move |bench, shown| bench.remark(shown, swing, said)).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// The swing that is meant, or the bucket; none where it cannot be told.
fn meant(number: Option<usize>, takeaway_us: Option<i64>) -> Option<Option<Meant>> {
    match (number, takeaway_us) {
        (None, None) => Some(None),
        (Some(number), Some(us)) if number > 0 => Some(Some(Meant { number, takeaway: DeviceTime(us) })),
        _ => None,
    }
}

/// A bucket has no single club, no events, and is never left out as a whole.
fn may_be_said(said: &Said, of_swing: bool) -> bool {
    match said {
        Said::Finished => false,
        Said::Event(text) => of_swing && Moved::parse(text).is_some(),
        Said::Club(_) | Said::Exclude(_) | Said::Include => of_swing,
        Said::Note(_) | Said::Tag(_) | Said::Untag(_) | Said::Mark(_) => true,
    }
}

async fn report(
    State(site): State<Site>,
    Path(key): Path<String>,
    RawQuery(query): RawQuery,
) -> Result<Html<String>, Refused> {
    let nameless = query.as_deref() == Some("names=without");
    let names = if nameless { Names::Drop } else { Names::Keep };
    site.of_bucket(key, move |bench, shown| {
        Ok(Html(report_page::page(&bench.report(shown)?.told(names), shown)))
    })
    .await
}

async fn swing_page(
    State(site): State<Site>,
    Path((key, Number(number))): Path<(String, Number)>,
) -> Result<Html<String>, Refused> {
    site.of_bucket(key, move |_, shown| swing::page(shown, number).map(Html).ok_or(NO_SWING)).await
}

async fn motion(
    State(site): State<Site>,
    Path((key, Number(number))): Path<(String, Number)>,
) -> Result<Response, Refused> {
    let text = site.of_bucket(key, move |_, shown| swing::motion(shown, number).ok_or(NO_SWING)).await?;
    Ok(json_of(text))
}

async fn worth(
    State(site): State<Site>,
    Path((key, Number(number))): Path<(String, Number)>,
) -> Result<Response, Refused> {
    let text = site.of_bucket(key, move |bench, shown| bench.worth(shown, number)).await?;
    Ok(json_of(text))
}

async fn raw(
    State(site): State<Site>,
    Path((key, Number(number))): Path<(String, Number)>,
) -> Result<Html<String>, Refused> {
    site.of_bucket(key, move |bench, shown| Ok(Html(swing::raw(&bench.raw(shown, number)?)))).await
}

/// A swing's number as it stands in an address. What is no number is that of no swing.
struct Number(usize);

impl<'de> Deserialize<'de> for Number {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Number, D::Error> {
        let text = String::deserialize(deserializer)?;
        Ok(Number(text.parse().unwrap_or(0)))
    }
}

const NO_SWING: Refused = Refused::Missing("there is no such swing");

async fn list(State(site): State<Site>, RawQuery(query): RawQuery) -> Result<Html<String>, Refused> {
    let (wanted, part) = wanted(query.as_deref().unwrap_or_default());
    let asked = wanted.clone();
    let found = site.aside(move |bench| bench.search(&asked)).await?;
    Ok(Html(if part { library::rows(&found, &wanted) } else { library::page(&found, &wanted) }))
}

async fn compare(State(site): State<Site>, RawQuery(query): RawQuery) -> Result<Html<String>, Refused> {
    if !site.bench.has_library() {
        return Ok(Html(compare_page::without_library()));
    }
    let asked = sides(query.as_deref().unwrap_or_default());
    site.aside(move |bench| Ok(Html(compare_page::page(&bench.compared(&asked)?)))).await
}

/// What an address asks to be compared.
fn sides(query: &str) -> Sides {
    let mut asked = Sides::default();
    for (key, value) in form_urlencoded::parse(query.as_bytes()) {
        let value = value.into_owned();
        match key.as_ref() {
            "player" => asked.player = value,
            "club" => asked.club = value,
            "second_club" => asked.second_club = value,
            "since" => asked.since = value,
            "bucket" => asked.bucket = value,
            "first" => asked.first.push(value),
            "second" => asked.second.push(value),
            _ => {}
        }
    }
    asked
}

/// What an address asks of the library, and whether the rows alone are wanted.
fn wanted(query: &str) -> (Wanted, bool) {
    let mut wanted = Wanted { most: ROWS, ..Wanted::default() };
    let mut part = false;
    for (key, value) in form_urlencoded::parse(query.as_bytes()) {
        match key.as_ref() {
            "text" => wanted.text = value.trim().to_owned(),
            "player" => wanted.player = value.into_owned(),
            "club" => wanted.club = value.into_owned(),
            "class" => wanted.class = value.into_owned(),
            "tag" => wanted.tag = value.trim().to_owned(),
            // A number that is none is the first page.
            "from" => wanted.from = value.parse::<u32>().map_or(0, |from| from as usize),
            "part" => part = true,
            _ => {}
        }
    }
    (wanted, part)
}

async fn pair_page(State(site): State<Site>) -> Response {
    match site.sharing {
        Some(_) => Html(pair::page("")).into_response(),
        None => Redirect::to("/").into_response(),
    }
}

async fn try_code(State(site): State<Site>, body: Bytes) -> Result<Response, Refused> {
    let Some(sharing) = &site.sharing else { return Err(Refused::Missing("the page is not shared")) };
    let offered =
        form_urlencoded::parse(&body).find(|(key, _)| key == "code").map(|(_, code)| code.into_owned());
    let tried =
        sharing.offer(&offered.unwrap_or_default()).map_err(|error| Refused::Failed(error.to_string()))?;
    Ok(match tried {
        Tried::Paired(token) => {
            let cookie = format!("{COOKIE}={token}; HttpOnly; SameSite=Strict; Path=/");
            ([(header::SET_COOKIE, cookie)], Redirect::to("/")).into_response()
        }
        Tried::Wrong(anew) => {
            let said =
                if anew { "That was not it, and there is a new code now." } else { "That was not it." };
            (StatusCode::FORBIDDEN, Html(pair::page(said))).into_response()
        }
        Tried::Wait(s) => {
            let said = format!("Too many tries: the next one counts in {s} s.");
            (StatusCode::TOO_MANY_REQUESTS, Html(pair::page(&said))).into_response()
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_asks_for_what_it_says_and_nonsense_for_nothing() {
        let (found, part) = wanted("text=+iron%207+&player=Robin%26&from=-1&from=200&dance=1&part");
        assert_eq!(
            (found.text.as_str(), found.player.as_str(), found.from, part),
            ("iron 7", "Robin&", 200, true)
        );
        assert_eq!(wanted("from=99999999999&%ff=%ff").0, Wanted { most: ROWS, ..Wanted::default() });
    }
}
