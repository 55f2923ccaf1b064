//! Drills: steps and expectations with time limits, run against the stand-in in simulated time,
//! live over UDP, or with a person at a real switch; a verdict with a timeline.
//!
//! [`run`] is sans-IO: it is shown what happened and says what to do next. [`sim`] and [`live`]
//! are the worlds it acts on.

mod dot1x;
pub mod expect;
pub mod landing;
pub mod live;
pub mod load;
pub mod observe;
pub mod report;
pub mod run;
pub mod script;
pub mod sim;
mod stage;
pub mod timeline;
pub mod words;

pub use landing::Landing;
pub use load::{FindError, Loaded, Texts, find, load};
pub use observe::{Observation, Who};
pub use run::{Next, Outcome, Run};
pub use script::{Drill, Step};
