//! The feed with sources that obey, hang, fail and come back. Nothing here depends on how fast the machine is: what is waited for comes, however late.

use super::*;
use crate::capture::exif::ExifState;
use crate::capture::source::Taken;
use crate::raster::Gray;
use std::sync::mpsc::{Receiver, Sender, channel};

/// What a stub source is told to do next; without an order it is silent.
enum Order {
    Frame,
    /// The last picture once more.
    Same,
    Spoiled,
    /// Hangs until the sender is dropped.
    Hang(Receiver<()>),
    Lose(Loss),
    End,
    Panic,
}

struct Stub {
    orders: Arc<Mutex<Receiver<Order>>>,
    count: u64,
    grey: u8,
    epoch: Instant,
    keeps_all: bool,
    steady: bool,
}

impl FrameSource for Stub {
    fn about(&self) -> String {
        "stub".into()
    }

    fn next(&mut self, wait: Duration) -> Next {
        let order = self.orders.lock().unwrap().recv_timeout(wait.min(Duration::from_millis(5)));
        match order {
            Err(_) => Next::Nothing,
            Ok(order @ (Order::Frame | Order::Same)) => {
                let number = self.count;
                self.count += 1;
                let grey = if matches!(order, Order::Same) { self.grey } else { self.grey.wrapping_add(1) };
                self.grey = grey;
                Next::Frame(Box::new(Frame {
                    number,
                    time: self.epoch.elapsed(),
                    name: format!("picture {number}"),
                    gray: Gray::filled(4, 4, grey),
                    taken: Taken::Gray,
                    exif: ExifState::Missing,
                }))
            }
            Ok(Order::Spoiled) => Next::Spoiled { name: "bad".into(), why: "cut off".into() },
            Ok(Order::Hang(until)) => {
                let _ = until.recv();
                Next::Nothing
            }
            Ok(Order::Lose(loss)) => Next::Lost(loss),
            Ok(Order::End) => Next::End,
            // As a driver might; past the hook, whose backtrace can take longer on a busy machine than the test waits.
            Ok(Order::Panic) => std::panic::resume_unwind(Box::new("as a driver might")),
        }
    }

    fn is_steady(&self) -> bool {
        self.steady
    }

    fn keeps_all(&self) -> bool {
        self.keeps_all
    }
}

fn quick() -> FeedOptions {
    FeedOptions {
        stalled_after: Duration::from_millis(150),
        hung_after: Duration::from_millis(400),
        retry_after: Duration::from_millis(20),
        ..FeedOptions::default()
    }
}

/// A feed over stubs, and where orders go.
fn feed(options: FeedOptions, keeps_all: bool, steady: bool) -> (Feed, Sender<Order>) {
    let (orders, take) = channel();
    let take = Arc::new(Mutex::new(take));
    let opener: Opener =
        Box::new(move |epoch| Ok(Box::new(Stub { orders: take.clone(), count: 0, grey: 0, epoch, keeps_all, steady })));
    (Feed::start(opener, options), orders)
}

/// Waits until the state is as wanted, 20 s at most.
#[track_caller]
fn until(feed: &Feed, what: &str, wanted: impl Fn(&FeedState) -> bool) -> FeedStatus {
    let start = Instant::now();
    loop {
        let status = feed.status();
        if wanted(&status.state) {
            return status;
        }
        assert!(start.elapsed() < Duration::from_secs(20), "never {what}: {status:?}");
        thread::sleep(Duration::from_millis(2));
    }
}

const LONG: Duration = Duration::from_secs(20);

#[test]
fn the_newest_picture_wins() {
    let (feed, orders) = feed(quick(), false, true);
    for _ in 0..50 {
        orders.send(Order::Frame).unwrap();
    }
    while feed.status().arrived < 50 {
        thread::sleep(Duration::from_millis(1));
    }
    let frame = feed.next(LONG).unwrap();
    assert_eq!((frame.number, frame.name.as_str()), (49, "picture 49"));
    assert_eq!(feed.status().left_out, 49);
    assert!(feed.next(Duration::from_millis(20)).is_none(), "a picture is given once");
    assert_eq!(feed.latest().unwrap().number, 49);
}

#[test]
fn a_replay_leaves_nothing_out_and_ends() {
    let (feed, orders) = feed(quick(), true, true);
    for _ in 0..30 {
        orders.send(Order::Frame).unwrap();
    }
    orders.send(Order::End).unwrap();
    let mut seen = Vec::new();
    while let Some(frame) = feed.next(LONG) {
        seen.push(frame.number);
    }
    assert_eq!(seen, (0..30).collect::<Vec<_>>());
    let status = feed.status();
    assert_eq!((status.state, status.left_out, status.arrived), (FeedState::Ended, 0, 30));
}

#[test]
fn silence_is_noticed_and_so_is_its_end() {
    let (feed, orders) = feed(quick(), false, true);
    until(&feed, "stalled before the first picture", |s| matches!(s, FeedState::Stalled(_)));
    orders.send(Order::Frame).unwrap();
    assert_eq!(feed.next(LONG).unwrap().number, 0);
    let status = until(&feed, "stalled", |s| matches!(s, FeedState::Stalled(_)));
    assert!(status.age.is_some() && status.rate_hz.is_none());
    orders.send(Order::Frame).unwrap();
    assert_eq!(feed.next(LONG).unwrap().number, 1);
    assert_eq!(feed.status().opened, 1, "silence alone is no reason to open again");
}

/// A stream that hangs sends its last picture for ever: it is said, and nothing is read from it. The same picture after opening again counts once more.
#[test]
fn the_same_picture_again_is_none_and_a_camera_that_comes_back_shows_what_it_showed() {
    let (feed, orders) = feed(quick(), false, true);
    orders.send(Order::Frame).unwrap();
    let first = feed.next(LONG).unwrap();
    let start = Instant::now();
    while !matches!(feed.status().state, FeedState::Frozen(_)) {
        assert!(start.elapsed() < LONG, "never frozen: {:?}", feed.status());
        orders.send(Order::Same).unwrap();
        thread::sleep(Duration::from_millis(10));
    }
    assert!(feed.next(Duration::ZERO).is_none());
    let status = feed.status();
    assert!(status.repeated > 0 && status.rate_hz.is_none(), "{status:?}");
    assert_eq!((status.arrived, status.opened), (1, 1));
    // The last of them may still be on its way.
    until(&feed, "silent in the end", |s| matches!(s, FeedState::Stalled(_)));
    orders.send(Order::Frame).unwrap();
    assert_ne!(feed.next(LONG).unwrap().gray, first.gray);
    orders.send(Order::Lose(Loss::passing("it was unplugged", "Plug it in."))).unwrap();
    // A stub that is opened anew begins with the same grey value again: here the first picture's.
    orders.send(Order::Frame).unwrap();
    assert_eq!(feed.next(LONG).unwrap().gray, first.gray);
    orders.send(Order::Lose(Loss::passing("it was unplugged", "Plug it in."))).unwrap();
    orders.send(Order::Frame).unwrap();
    assert_eq!(feed.next(LONG).unwrap().gray, first.gray, "identical to the last one before, and counts");
    assert_eq!((feed.status().arrived, feed.status().opened), (4, 3));
}

/// What a replay holds is given as it is, and a folder's photographs are never called a hanging stream.
#[test]
fn a_replay_may_hold_the_same_picture_twice() {
    for (keeps_all, steady) in [(true, true), (true, false)] {
        let (feed, orders) = feed(quick(), keeps_all, steady);
        for order in [Order::Frame, Order::Same, Order::Same, Order::End] {
            orders.send(order).unwrap();
        }
        let mut n = 0;
        while feed.next(LONG).is_some() {
            n += 1;
        }
        assert_eq!((n, feed.status().repeated), (3, 0));
    }
}

#[test]
fn a_folder_may_be_silent() {
    let (feed, orders) = feed(quick(), false, false);
    until(&feed, "live", |s| *s == FeedState::Live);
    thread::sleep(Duration::from_millis(400));
    assert_eq!(feed.status().state, FeedState::Live);
    orders.send(Order::Frame).unwrap();
    assert!(feed.next(LONG).is_some());
}

#[test]
fn a_hanging_driver_is_left_behind() {
    let (feed, orders) = feed(quick(), false, true);
    orders.send(Order::Frame).unwrap();
    assert_eq!(feed.next(LONG).unwrap().number, 0);
    let (let_go, hang) = channel();
    orders.send(Order::Hang(hang)).unwrap();
    // The owner is never held up, is told first of the silence and then of the hanging, and gets pictures of the source that was opened again.
    until(&feed, "stalled", |s| matches!(s, FeedState::Stalled(_)));
    until(&feed, "opened again", |s| !matches!(s, FeedState::Stalled(_)));
    while feed.status().opened < 2 {
        thread::sleep(Duration::from_millis(2));
    }
    orders.send(Order::Frame).unwrap();
    let frame = feed.next(LONG).unwrap();
    assert_eq!(frame.number, 1, "numbers go on after opening again");
    assert!(!feed.stop_and_wait(Duration::from_millis(50)), "one worker still hangs");
    drop(let_go);
    assert!(feed.stop_and_wait(LONG));
    assert_eq!(feed.status().state, FeedState::Stopped);
}

#[test]
fn a_driver_that_always_hangs_is_given_up() {
    let options = FeedOptions { hung_after: Duration::from_millis(250), ..quick() };
    let (feed, orders) = feed(options, false, true);
    let mut keep = Vec::new();
    for _ in 0..MOST_HANGING {
        let (let_go, hang) = channel();
        keep.push(let_go);
        orders.send(Order::Hang(hang)).unwrap();
    }
    let status = until(&feed, "lost", |s| matches!(s, FeedState::Lost(_)));
    assert_eq!(status.opened as usize, MOST_HANGING);
    assert!(feed.next(LONG).is_none(), "a lost feed is not waited for");
}

#[test]
fn a_lost_source_is_opened_again_and_a_lasting_loss_is_not() {
    let (feed, orders) = feed(quick(), false, true);
    orders.send(Order::Frame).unwrap();
    assert_eq!(feed.next(LONG).unwrap().number, 0);
    orders.send(Order::Lose(Loss::passing("it was unplugged", "Plug it in."))).unwrap();
    orders.send(Order::Frame).unwrap();
    assert_eq!(feed.next(LONG).unwrap().number, 1);
    assert_eq!(feed.status().opened, 2);
    orders.send(Order::Spoiled).unwrap();
    orders.send(Order::Lose(Loss::lasting("it was sold", "Buy another."))).unwrap();
    let status = until(&feed, "lost", |s| matches!(s, FeedState::Lost(_)));
    assert_eq!(status.last_spoiled, Some(("bad".into(), "cut off".into())));
    assert!(matches!(status.state, FeedState::Lost(loss) if loss.to_string() == "it was sold. Buy another."));
}

#[test]
fn a_camera_that_comes_later_is_waited_for() {
    let (orders, take) = channel();
    let take = Arc::new(Mutex::new(take));
    let mut tries = 0;
    let opener: Opener = Box::new(move |epoch| {
        tries += 1;
        if tries < 4 {
            return Err(Loss::passing("there is no camera 0", "Plug it in."));
        }
        Ok(Box::new(Stub { orders: take.clone(), count: 0, grey: 0, epoch, keeps_all: false, steady: true }))
    });
    let feed = Feed::start(opener, quick());
    until(
        &feed,
        "retrying",
        |s| matches!(s, FeedState::Retrying(loss, tries) if *tries >= 2 && loss.what.contains("no camera")),
    );
    orders.send(Order::Frame).unwrap();
    assert!(feed.next(LONG).is_some());
}

#[test]
fn a_source_that_panics_is_a_loss_and_not_the_end_of_the_program() {
    let (feed, orders) = feed(quick(), false, true);
    orders.send(Order::Panic).unwrap();
    until(&feed, "lost", |s| matches!(s, FeedState::Lost(_)));
    assert!(feed.stop_and_wait(LONG));
}

#[test]
fn two_feeds_share_one_epoch_and_one_bell() {
    let (ring, rung) = channel();
    let ring = Mutex::new(ring);
    let options = FeedOptions {
        wake: Some(Arc::new(move || {
            let _ = ring.lock().unwrap().send(());
        })),
        ..quick()
    };
    let (first, first_orders) = feed(options.clone(), false, true);
    let (second, second_orders) = feed(options, false, true);
    first_orders.send(Order::Frame).unwrap();
    second_orders.send(Order::Frame).unwrap();
    let mut seen = [None, None];
    while seen.iter().any(Option::is_none) {
        rung.recv_timeout(LONG).unwrap();
        for (slot, feed) in seen.iter_mut().zip([&first, &second]) {
            if let Some(frame) = feed.next(Duration::ZERO) {
                *slot = Some(frame.time);
            }
        }
    }
    assert!(seen.iter().flatten().all(|t| *t < LONG), "{seen:?}");
}
