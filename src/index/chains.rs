//! Chains of corrections: which record stands for which, which cannot be relied on because a correction of it cannot, and what does not fit.
//!
//! A correction names the manifest of the record before it and of those before that one. Names of folders decide nothing while there is anything else.

use crate::record::keep::of_another_car;
use std::collections::HashMap;

/// One record in the chains.
pub(super) struct Link {
    pub folder: String,
    /// The sum of its manifest.
    pub manifest: Option<String>,
    /// Manifests of the records before it, as it says: the one it corrects first. Vouched for by its own manifest.
    pub before: Vec<String>,
    /// Sums in a description that nothing vouches for: it may correct those.
    pub claims: Vec<String>,
    /// True where its description is as its manifest says.
    pub vouched: bool,
    /// True where nothing at all is known of what it says, not even a sum.
    pub blank: bool,
    /// There, and nothing wrong with it.
    pub sound: bool,
    pub vanished: bool,
    pub revision: i64,
    /// When, as it is sorted.
    pub sorted: String,
    /// Which key signed it, where that is good.
    pub signer: Option<String>,
    /// Which car it is of.
    pub vin: Option<String>,
    pub replaced_by: Option<String>,
    pub doubted_by: Option<String>,
}

/// What stands for each record, as places in the list.
pub(super) struct Standing {
    /// The newest sound record that corrects it.
    pub replaced: Vec<Option<usize>>,
    /// A correction of it that is damaged or gone, where no sound one stands for it.
    pub doubted: Vec<Option<usize>>,
}

/// The records by what their manifests sum to.
type Known<'a> = HashMap<&'a str, Vec<usize>>;

fn known(all: &[Link]) -> Known<'_> {
    let mut out = Known::new();
    for (k, link) in all.iter().enumerate() {
        if let Some(manifest) = &link.manifest {
            out.entry(manifest).or_default().push(k);
        }
    }
    out
}

/// What a record says of those before it, as far as these say the same: where the first of them that is here says otherwise, what lies beyond it is not
/// believed. The second value is that one's place, where it is so.
fn believed<'a>(link: &'a Link, all: &[Link], known: &Known) -> (&'a [String], Option<usize>) {
    for (k, manifest) in link.before.iter().enumerate() {
        let here = known.get(manifest.as_str()).into_iter().flatten().copied().find(|&old| all[old].vouched);
        let Some(old) = here else { continue };
        let beyond = &link.before[k + 1..];
        // Older records name only the one that they correct.
        let fits = beyond.is_empty() || beyond == all[old].before;
        return if fits { (&link.before, None) } else { (&link.before[..=k], Some(old)) };
    }
    (&link.before, None)
}

/// Its revision, as far as the record that it corrects bears it out.
fn revision(link: &Link, all: &[Link], known: &Known) -> i64 {
    let old = link.before.first().and_then(|m| known.get(m.as_str())).into_iter().flatten();
    let most = old.filter(|&&k| all[k].vouched).map(|&k| all[k].revision + 1).max();
    most.map_or(link.revision, |most| link.revision.min(most))
}

/// Sums as small numbers, so that following a chain compares no texts.
#[derive(Default)]
struct Numbers<'a>(HashMap<&'a str, usize>);

impl<'a> Numbers<'a> {
    fn of(&mut self, sum: &'a str) -> usize {
        let next = self.0.len();
        *self.0.entry(sum).or_insert(next)
    }

    fn of_all(&mut self, sums: &'a [String]) -> Vec<usize> {
        sums.iter().map(|sum| self.of(sum)).collect()
    }
}

/// Works out what stands for each record: the newest sound one from which a chain of corrections leads to its very manifest, through records that are
/// damaged or gone as well.
pub(super) fn standing(all: &[Link]) -> Standing {
    let known = known(all);
    let revisions: Vec<i64> = all.iter().map(|link| revision(link, all, &known)).collect();
    let newer = |a: usize, b: usize| (revisions[a], &all[a].sorted) > (revisions[b], &all[b].sorted);
    let mut numbers = Numbers::default();
    let own: Vec<Option<usize>> = all.iter().map(|l| l.manifest.as_deref().map(|m| numbers.of(m))).collect();
    let before: Vec<Vec<usize>> = all.iter().map(|l| numbers.of_all(believed(l, all, &known).0)).collect();
    let claims: Vec<Vec<usize>> = all.iter().map(|l| numbers.of_all(&l.claims)).collect();
    let mut here: Vec<Vec<usize>> = vec![Vec::new(); numbers.0.len()];
    for (k, own) in own.iter().enumerate() {
        if let Some(own) = own {
            here[*own].push(k);
        }
    }
    // Who came past a sum last; a sum is followed once for each record.
    let mut seen: Vec<Option<usize>> = vec![None; here.len()];
    let mut out = Standing { replaced: vec![None; all.len()], doubted: vec![None; all.len()] };
    for (newest, link) in all.iter().enumerate() {
        let by = if link.sound { &mut out.replaced } else { &mut out.doubted };
        if let Some(own) = own[newest] {
            seen[own] = Some(newest);
        }
        let mut open: Vec<usize> = Vec::new();
        let mut push = |sums: &[usize], open: &mut Vec<usize>| {
            open.extend(sums.iter().filter(|&&sum| seen[sum].replace(newest) != Some(newest)));
        };
        push(&before[newest], &mut open);
        if !link.sound {
            push(&claims[newest], &mut open);
        }
        while let Some(sum) = open.pop() {
            for &old in &here[sum] {
                if by[old].is_none_or(|other| newer(newest, other)) {
                    by[old] = Some(newest);
                }
                push(&before[old], &mut open);
            }
        }
    }
    by_name(all, &mut out.doubted);
    for (k, doubted) in out.doubted.iter_mut().enumerate() {
        // A sound copy of the same record elsewhere: it was moved.
        let moved = |by: usize| {
            let same = all[by].manifest.as_deref().and_then(|m| known.get(m)).into_iter().flatten();
            same.copied().any(|other| all[other].sound)
        };
        if out.replaced[k].is_some() || doubted.is_some_and(|by| by == k || moved(by)) {
            *doubted = None;
        }
    }
    out
}

/// A record of which nothing can be read may correct any older one of the car that its folder is named after.
fn by_name(all: &[Link], doubted: &mut [Option<usize>]) {
    if !all.iter().any(|link| link.blank) {
        return;
    }
    // When, and which car.
    let parts = |link: &Link| {
        let name = link.folder.rsplit('/').next().unwrap_or(&link.folder);
        name.rsplit_once('_').map(|(when, car)| (car.to_owned(), when.to_owned()))
    };
    let mut of_car: HashMap<String, Vec<(String, usize)>> = HashMap::new();
    for (k, link) in all.iter().enumerate() {
        if let Some((car, when)) = parts(link) {
            of_car.entry(car).or_default().push((when, k));
        }
    }
    for (blank, link) in all.iter().enumerate().filter(|(_, link)| link.blank) {
        let Some((car, when)) = parts(link) else { continue };
        for (_, old) in of_car.get(&car).into_iter().flatten().filter(|(before, _)| *before < when) {
            doubted[*old].get_or_insert(blank);
        }
    }
}

/// What does not fit, as `(folder, words)`: a correction that is signed otherwise than what it corrects, is of another car, or says otherwise than that one what came
/// before.
pub(super) fn odd(all: &[Link]) -> Vec<(String, String)> {
    let known = known(all);
    let of_folder: HashMap<&str, &Link> = all.iter().map(|link| (link.folder.as_str(), link)).collect();
    let mut out = Vec::new();
    for link in all.iter().filter(|link| !link.vanished) {
        if let (_, Some(old)) = believed(link, all, &known) {
            let words = format!(
                "It says otherwise than {} which records came before that one: what only it says is not believed.",
                all[old].folder
            );
            out.push((link.folder.clone(), words));
        }
        if link.vouched && !link.before.is_empty() && revision(link, all, &known) < link.revision {
            let words = format!(
                "It calls itself revision {}, which the record that it corrects does not bear out.",
                link.revision
            );
            out.push((link.folder.clone(), words));
        }
        let new = link.replaced_by.as_deref().and_then(|by| of_folder.get(by));
        let other = new.and_then(|new| of_another_car(new.vin.as_deref(), &link.folder, link.vin.as_deref()));
        out.extend(new.zip(other).map(|(new, words)| (new.folder.clone(), words)));
        if let (Some(new), Some(key)) = (new, &link.signer)
            && new.signer.as_ref() != Some(key)
        {
            let how = if new.signer.is_none() { "not signed" } else { "signed with another key" };
            let words = format!(
                "It stands for {}, which is signed, and is itself {how}: ask who made it before you rely on it.",
                link.folder
            );
            out.push((new.folder.clone(), words));
        }
    }
    out.sort();
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn link(name: &str, before: &[&str], revision: i64) -> Link {
        Link {
            folder: name.into(),
            manifest: Some(name.into()),
            before: before.iter().map(|b| (*b).into()).collect(),
            claims: Vec::new(),
            vouched: true,
            blank: false,
            sound: true,
            vanished: false,
            revision,
            sorted: format!("{revision:06}"),
            signer: None,
            vin: None,
            replaced_by: None,
            doubted_by: None,
        }
    }

    /// A chain of records of before the whole chain was kept, and one that was kept with it: each is looked at a handful of times, not as often as the chain is long.
    #[test]
    fn a_long_chain_is_followed_to_its_end() {
        let n: i64 = 300;
        for whole in [false, true] {
            let names: Vec<String> = (0..n).map(|k| format!("r{k}")).collect();
            let all: Vec<Link> = (0..n)
                .map(|k| {
                    let before: Vec<&str> = names[..k as usize].iter().rev().map(String::as_str).collect();
                    link(&names[k as usize], if whole { &before } else { &before[..before.len().min(1)] }, k + 1)
                })
                .collect();
            let out = standing(&all);
            assert!(out.replaced[..n as usize - 1].iter().all(|by| *by == Some(n as usize - 1)), "{:?}", out.replaced);
            assert_eq!(out.replaced[n as usize - 1], None);
            assert!(out.doubted.iter().all(Option::is_none) && odd(&all).is_empty());
        }
    }

    #[test]
    fn what_a_record_says_of_others_is_believed_only_as_far_as_they_say_it_too() {
        // A record of its own correction, which claims to correct another car's as well, at revision 99.
        let all = [link("own", &[], 1), link("victim", &[], 1), link("made", &["own", "victim"], 99)];
        let out = standing(&all);
        assert_eq!(out.replaced, [Some(2), None, None]);
        let said: Vec<String> = odd(&all).into_iter().map(|(_, words)| words).collect();
        assert!(said.len() == 2 && said.iter().any(|w| w.contains("not believed")), "{said:?}");
        // The real second revision goes before a first one that calls itself the 99th.
        let all = [link("r1", &[], 1), link("r2", &["r1"], 2), link("r3", &["r2", "r1"], 3), link("x", &["r1"], 99)];
        assert_eq!(standing(&all).replaced, [Some(2), Some(2), None, None]);
    }

    #[test]
    fn what_is_damaged_or_gone_puts_what_it_corrected_in_doubt() {
        let broken = |mut link: Link| {
            link.sound = false;
            link
        };
        let doubted = |all: &[Link]| standing(all).doubted;
        assert_eq!(doubted(&[link("a", &[], 1), broken(link("b", &["a"], 2))]), [Some(1), None]);
        let third = link("c", &["b", "a"], 3);
        assert_eq!(doubted(&[link("a", &[], 1), broken(link("b", &["a"], 2)), third]), [None; 3]);
        // Nothing vouches for it: it still says something.
        let claim = Link { claims: vec!["a".into()], vouched: false, ..broken(link("b", &[], 1)) };
        assert_eq!(doubted(&[link("a", &[], 1), claim]), [Some(1), None]);
        // Nothing can be read: the folders are of one car.
        let blank = Link { blank: true, vouched: false, ..broken(link("x/2026-02-02_1_CAR", &[], 0)) };
        let older = ["2026-01-01_1_CAR", "2026-01-01_1_OTHER", "2026-03-03_1_CAR"].map(|name| link(name, &[], 1));
        let [a, b, c] = older;
        assert_eq!(doubted(&[a, b, c, blank]), [Some(3), None, None, None]);
        // Gone from here and sound there: moved.
        let mut gone = broken(link("old/b", &["a"], 2));
        gone.vanished = true;
        gone.manifest = Some("b".into());
        assert_eq!(doubted(&[link("a", &[], 1), gone, link("b", &["a"], 2)]), [None; 3]);
    }
}
