//! Edge: when a bucket has ended and its recording is safe, all its swings are measured together, as `review` measures
//! them. That only reads, on a thread of its own; nobody has to wait for it.

use super::ended::BucketEnd;
use super::requests::Request;
use super::status::Status;
use crate::record::library::analysis::{Rules, analysis_of};
use crate::record::library::remarks::Remarks;
use crate::record::library::steps::remarks_of;
use crate::review::Review;
use crate::review::together::KnownLive;
use std::convert::Infallible;
use std::path::Path;
use std::time::Duration;
use tokio::sync::oneshot;

/// A bucket of more swings is left to `review`: all of them are kept in memory while they are measured together, some
/// 2 MB each.
const MOST_SWINGS: usize = 120;
/// What lasts less than this is not spoken of.
const PATIENCE: Duration = Duration::from_secs(1);
const MEASURES: &str =
    "all swings are measured together; Ctrl-C leaves the numbers as they were known while the bucket ran";

/// The bucket with all its swings measured together by these rules. It stays as it was known live where its end was
/// `asked` for by somebody who does not look on, where somebody asks `again`, and where it cannot be measured.
pub async fn measured(
    mut end: BucketEnd,
    asked: Option<Request>,
    again: impl Future,
    rules: Rules,
    status: &Status,
) -> BucketEnd {
    if end.review.analysis.swings.is_empty() {
        return end;
    }
    if asked == Some(Request::Leave) {
        return end.known_live(&KnownLive::NotWaitedFor);
    }
    if end.review.newest_number() > MOST_SWINGS {
        return end.known_live(&KnownLive::TooMany);
    }
    let Some(file) = end.only_file().map(Path::to_owned) else {
        return end.known_live(&KnownLive::NotInOneFile);
    };
    let live = end.review.clone();
    let work = move || once_more(live, &file, rules);
    let (said, review) = match aside(work, again, PATIENCE, || status.line(MEASURES)).await {
        Ok(done) => done,
        Err(why) => return end.known_live(&why),
    };
    end.said = said;
    match review {
        Ok(review) => BucketEnd { review, ..end },
        Err(lost) => {
            end.lost.extend(lost);
            end.known_live(&KnownLive::Failed("the recording cannot be read wholly"))
        }
    }
}

/// What people said of a bucket, and the bucket measured once more by its recording; or what of that is lost.
fn once_more(live: Review, file: &Path, rules: Rules) -> (Remarks, Result<Review, Vec<String>>) {
    let said = remarks_of(file);
    let (mut analysis, report) = match analysis_of(file, rules) {
        Ok((analysis, _, report)) if !report.data_was_lost() => (analysis, report),
        Ok((_, _, report)) => return (said, Err(report.sentences())),
        Err(error) => return (said, Err(vec![error.to_string()])),
    };
    analysis.notes.extend(report.notes_on_input());
    // Of the link, not of the swings: `review` says it beside its table.
    analysis.notes.extend(live.analysis.notes.iter().filter(|note| report.notes.contains(note)).cloned());
    let together = live.measured_together(analysis, &said);
    (said, Ok(together))
}

/// Does the work on a thread of its own, which is left to itself as soon as somebody asks. `lasts` is called where the
/// work is not done within `patience`.
async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
    asked: impl Future,
    patience: Duration,
    lasts: impl FnOnce(),
) -> Result<T, KnownLive> {
    let (say, said) = oneshot::channel();
    let body = move || drop(say.send(work()));
    let thread = std::thread::Builder::new().name("together".to_owned()).spawn(body);
    thread.map_err(|_| KnownLive::Failed("the system gives no thread"))?;
    let lasts = async {
        tokio::time::sleep(patience).await;
        lasts();
        std::future::pending::<Infallible>().await
    };
    tokio::select! {
        biased;
        _ = asked => Err(KnownLive::NotWaitedFor),
        // Where nothing is said the work has panicked.
        done = said => done.map_err(|_| KnownLive::Failed("a fault of the program")),
        never = lasts => match never {},
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{AnalysisParams, BucketAnalysis, Swing};
    use crate::units::DeviceTime;
    use std::future::pending;
    use std::sync::mpsc::sync_channel;
    use tokio::sync::Notify;

    fn nobody() -> std::future::Pending<()> {
        pending()
    }

    #[tokio::test]
    async fn a_bucket_of_very_many_swings_stays_as_it_was_known() {
        let swing = Swing::bare(DeviceTime(0), DeviceTime(900_000));
        let analysis = |count| BucketAnalysis {
            swings: vec![swing.clone(); count],
            losses: Vec::new(),
            notes: Vec::new(),
            calibration: None,
        };
        for (swings, expected) in
            [(MOST_SWINGS, KnownLive::NotInOneFile), (MOST_SWINGS + 1, KnownLive::TooMany)]
        {
            let review = Review::new("kestrel-1.mcap", analysis(swings));
            let end =
                BucketEnd { recordings: Vec::new(), review, said: Remarks::default(), lost: Vec::new() };
            let rules = AnalysisParams::default().into();
            let end = measured(end, None, nobody(), rules, &Status::new(true)).await;
            assert_eq!(end.review.analysis.notes, [expected.to_string()]);
        }
    }

    /// No time is measured: who asks does so when he is told that it lasts, and the work is done only after that.
    #[tokio::test]
    async fn who_asks_does_not_wait_for_work_that_lasts() {
        let (go_on, wait) = sync_channel::<()>(0);
        let (over, is_over) = oneshot::channel();
        let told = Notify::new();
        let work = move || {
            let _ = wait.recv();
            over.send(()).unwrap();
        };
        let outcome = aside(work, told.notified(), Duration::ZERO, || told.notify_one()).await;
        assert_eq!(outcome, Err(KnownLive::NotWaitedFor));
        drop(go_on);
        is_over.await.unwrap();
    }

    #[tokio::test]
    async fn who_has_asked_before_does_not_wait_either() {
        let outcome = aside(|| (), std::future::ready(()), PATIENCE, || panic!("it was told")).await;
        assert_eq!(outcome, Err(KnownLive::NotWaitedFor));
    }

    #[tokio::test]
    async fn work_that_is_soon_done_is_not_spoken_of() {
        let outcome = aside(|| 7, nobody(), Duration::from_secs(600), || panic!("it was told")).await;
        assert_eq!(outcome, Ok(7));
    }

    #[tokio::test]
    async fn a_panic_costs_no_more_than_the_better_numbers() {
        let outcome = aside(|| panic!("a panic that is caught"), nobody(), PATIENCE, || {}).await;
        assert_eq!(outcome, Err::<(), _>(KnownLive::Failed("a fault of the program")));
    }
}
