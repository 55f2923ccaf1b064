//! Seconds to class: a table, and a drawing of every time on one axis.

use maud::{Markup, html};

use crate::drill::report::spread::Spread;

const NAMES: f64 = 260.0;
const AXIS: f64 = 560.0;
const MARGIN: f64 = 60.0;
const ROW: f64 = 30.0;
/// Parts that the axis is divided into.
const PARTS: u32 = 5;

pub(super) fn section(spreads: &[Spread]) -> Markup {
    html! {
        h3 { "Seconds to class" }
        p.quiet { "From the last step that was done with the device: its plug-in, a log-on, a change." }
        div.scroll { table {
            thead { tr {
                th scope="col" { "Device" } th scope="col" { "Class" }
                @for head in ["Times", "Min", "Median", "95th", "Max"] {
                    th.number scope="col" { (head) }
                }
            } }
            tbody { @for one in spreads { tr {
                td { (one.device) } td { (one.class) }
                td.number { (one.seconds.len()) }
                @for value in [one.min, one.median, one.p95, one.max] {
                    td.number { (format!("{value:.3}")) }
                }
            } } }
        } }
        // One time alone is no distribution.
        @if spreads.iter().any(|one| one.seconds.len() > 1) {
            div.scroll tabindex="0" role="region" aria-label="Drawing of seconds to class" { (drawing(spreads)) }
        }
    }
}

fn drawing(spreads: &[Spread]) -> Markup {
    let longest = spreads.iter().map(|one| one.max).fold(0.0, f64::max);
    let end = round_up(longest);
    let at = |seconds: f64| NAMES + AXIS * seconds / end;
    let rows: Vec<(f64, &Spread)> = spreads
        .iter()
        .scan(ROW / 2.0, |y, one| {
            let here = *y;
            *y += ROW;
            Some((here, one))
        })
        .collect();
    let bottom = rows.last().map_or(0.0, |(y, _)| y + ROW / 2.0);
    let (width, height) = (NAMES + AXIS + MARGIN, bottom + ROW);
    html! {
        svg width=(width) height=(height) viewBox={ "0 0 " (width) " " (height) } role="img"
            aria-label="Every time as a tick, from median to 95th percentile shaded; the table above has the numbers" {
            @for part in 0..=PARTS {
                @let seconds = end * f64::from(part) / f64::from(PARTS);
                line.life x1=(at(seconds)) x2=(at(seconds)) y1="0" y2=(bottom) {}
                text.clock x=(at(seconds)) y=(bottom + 16.0) text-anchor="middle" {
                    (seconds) " s"
                }
            }
            @for (y, one) in rows {
                text x=(NAMES - 12.0) y=(y + 4.0) text-anchor="end" {
                    (one.device) ": " (one.class)
                }
                rect.box x=(at(one.median)) y=(y - 9.0) width=((at(one.p95) - at(one.median)).max(1.0)) height="18" {}
                @for seconds in &one.seconds {
                    line.tick x1=(at(*seconds)) x2=(at(*seconds)) y1=(y - 6.0) y2=(y + 6.0) {}
                }
                line.mark x1=(at(one.median)) x2=(at(one.median)) y1=(y - 9.0) y2=(y + 9.0) {}
            }
        }
    }
}

/// The next of 1, 2, 5, 10, 20, 50, …, so that the axis has round numbers.
fn round_up(seconds: f64) -> f64 {
    let mut step = 0.1;
    loop {
        for factor in [1.0, 2.0, 5.0] {
            if seconds <= step * factor {
                return step * factor;
            }
        }
        if step > 1e12 {
            return seconds;
        }
        step *= 10.0;
    }
}

#[cfg(test)]
mod tests {
    use super::round_up;

    #[test]
    fn the_axis_ends_at_a_round_number_that_is_not_too_small() {
        for (longest, end) in [(0.0, 0.1), (3.0, 5.0), (5.0, 5.0), (61.0, 100.0)] {
            assert!((round_up(longest) - end).abs() < 1e-9, "{longest}");
        }
        assert!(round_up(f64::INFINITY).is_infinite(), "it ends at all");
    }
}
