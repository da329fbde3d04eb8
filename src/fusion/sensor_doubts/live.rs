//! The same while the glove is worn: a doubt is told once, as soon as it is clear, and taken back where what was seen
//! later speaks against it.
//!
//! A reading costs its sums. What they mean is looked at now and then, when whoever feeds it has the time.

use super::{Doubt, Fit, GloveWatch, NodeWatch, Sure};
use crate::sample::{Arrival, DeviceDescription, NodeRole};

/// Readings between two looks, of all nodes together: some seconds of them. Their times cannot say, since a clock may be
/// what is wrong.
pub(super) const LOOK_EVERY: u32 = 5000;

/// A doubt that is told, or taken back.
#[derive(Clone, Debug, PartialEq)]
pub struct News {
    /// The node.
    pub role: NodeRole,
    /// What is doubted of it, or was.
    pub doubt: Doubt,
    /// It is told; otherwise it is taken back.
    pub holds: bool,
}

impl News {
    /// A plain sentence of it.
    #[must_use]
    pub fn sentence(&self) -> String {
        if self.holds {
            self.doubt.sentence(self.role)
        } else {
            format!("taken back by what was seen since: {}", self.doubt.found(self.role))
        }
    }
}

/// What was told and not taken back since, in the order in which it was told.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StandingDoubts(Vec<(NodeRole, Doubt)>);

impl StandingDoubts {
    /// A doubt is told, or taken back.
    pub fn take(&mut self, news: &News) {
        if news.holds {
            self.0.push((news.role, news.doubt));
        } else {
            self.0.retain(|told| *told != (news.role, news.doubt));
        }
    }

    /// What stands, of whom.
    pub fn doubts(&self) -> impl Iterator<Item = (NodeRole, Doubt)> {
        self.0.iter().copied()
    }
}

/// Watches a glove while it is worn. Memory is bounded.
#[derive(Clone, Debug)]
pub struct LiveDoubts {
    watch: GloveWatch,
    since_look: u32,
    told: Vec<(NodeRole, Told)>,
    news: Vec<News>,
}

/// What was told of a node.
#[derive(Clone, Debug, Default)]
struct Told {
    doubts: Vec<Doubt>,
    /// The turns' fit when there were so many: it takes a moment to find, and hangs on them alone.
    fit: (usize, Option<Fit>),
}

impl LiveDoubts {
    /// One that has seen nothing yet.
    #[must_use]
    pub fn new(device: &DeviceDescription) -> LiveDoubts {
        LiveDoubts { watch: GloveWatch::new(device), since_look: 0, told: Vec::new(), news: Vec::new() }
    }

    /// The glove has described itself anew; what was told of a node of which it says something else no longer holds.
    pub fn redescribe(&mut self, device: &DeviceDescription) {
        for role in self.watch.redescribe(device) {
            let gone = self.told.extract_if(.., |(of, _)| *of == role);
            let back = gone.flat_map(|(_, told)| told.doubts);
            self.news.extend(back.map(|doubt| News { role, doubt, holds: false }));
        }
    }

    /// Takes the next arrival; looks at what was seen if that is due and there is `time` for it.
    pub fn push(&mut self, arrival: &Arrival, time: bool) {
        if let Arrival::Sample(sample) = arrival {
            self.watch.push(sample);
            self.since_look = self.since_look.saturating_add(1);
        }
        if time && self.since_look >= LOOK_EVERY {
            self.look(Sure::Clearly);
        }
    }

    /// A look is due: something has ended that showed a lot.
    pub fn look_soon(&mut self) {
        self.since_look = LOOK_EVERY;
    }

    /// There is no more to come: what is not clear by now is told, too.
    pub fn finish(&mut self) {
        self.look(Sure::Enough);
    }

    /// What was not taken yet.
    pub fn take_news(&mut self) -> Vec<News> {
        std::mem::take(&mut self.news)
    }

    fn look(&mut self, sure: Sure) {
        self.since_look = 0;
        for (role, node) in self.watch.nodes() {
            let place = self.told.iter().position(|(of, _)| *of == role).unwrap_or_else(|| {
                self.told.push((role, Told::default()));
                self.told.len() - 1
            });
            if let Some((_, told)) = self.told.get_mut(place) {
                let news = told.look(node, sure).into_iter();
                self.news.extend(news.map(|(doubt, holds)| News { role, doubt, holds }));
            }
        }
    }
}

impl Told {
    /// What is told now, and what taken back. What holds, if not clearly, stays told.
    fn look(&mut self, node: &NodeWatch, sure: Sure) -> Vec<(Doubt, bool)> {
        if self.fit.0 != node.turns.kept() || sure == Sure::Enough {
            self.fit = (node.turns.kept(), node.turns.fit());
        }
        let judged = node.judged(self.fit.1.clone());
        let is_among = |doubts: &[Doubt], doubt: &Doubt| doubts.iter().any(|other| other.is_same(doubt));
        let holding = node.doubts_that_are(Sure::Enough, &judged);
        let back: Vec<Doubt> = self.doubts.extract_if(.., |doubt| !is_among(&holding, doubt)).collect();
        let mut clear = node.doubts_that_are(sure, &judged);
        clear.retain(|doubt| is_among(&holding, doubt) && !is_among(&self.doubts, doubt));
        self.doubts.extend(&clear);
        let back = back.into_iter().map(|doubt| (doubt, false));
        back.chain(clear.into_iter().map(|doubt| (doubt, true))).collect()
    }
}
