//! Accuracy of the scale from rules: prints a table.
//!
//! `cargo bench --bench rulers`: 20 rules of 512 x 512 pixels at each of three light levels. Wanted:
//! the right pitch every time, relative error at most 0.05 % rms, coverage 90 to 99 % at k = 2.
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

mod rules;

use hushframe::measure::ruler::find_ticks;
use rules::Rule;

fn main() {
    let each = std::env::args().any(|a| a == "each");
    // Limits were chosen on rules 0 to 99; these are others.
    let first = if std::env::args().any(|a| a == "fresh") { 1000 } else { 0 };
    let count = if std::env::args().any(|a| a == "many") { 100 } else { 20 };
    println!(
        "{:>9} {:>7} {:>9} {:>9} {:>9} {:>9} {:>8} {:>8} {:>9}",
        "light e-",
        "right",
        "rms %",
        "max %",
        "claimed",
        "angle deg",
        "least R2",
        "slip",
        "covered"
    );
    for electrons in [25.0, 150.0, 2000.0] {
        let (mut right, mut covered) = (0, 0);
        let (mut sum, mut most, mut claimed, mut turned) = (0.0, 0.0_f64, 0.0, 0.0);
        let (mut explained, mut slip) = (1.0_f64, 0.0_f64);
        for number in first..first + count {
            let rule = Rule::random(number, 512, electrons);
            match find_ticks(&rule.picture()) {
                Ok(t) => {
                    let off = t.pitch_px / rule.pitch_px - 1.0;
                    if each {
                        println!(
                            "  {number:3} pitch {:6.3} off {:9.5} % claimed {:8.5} % R2 {:.4} slip {:.4} strips {}",
                            rule.pitch_px,
                            100.0 * off,
                            100.0 * t.relative,
                            t.explained,
                            t.slip,
                            t.strips
                        );
                        for w in &t.warnings {
                            println!("      {w}");
                        }
                    }
                    if off.abs() < 0.02 {
                        right += 1;
                        sum += off * off;
                        most = most.max(off.abs());
                        claimed += t.relative * t.relative;
                        covered += i32::from(off.abs() < 2.0 * t.relative);
                        turned += (t.angle_deg - rule.angle_deg).powi(2);
                    }
                    explained = explained.min(t.explained);
                    slip = slip.max(t.slip);
                }
                Err(e) => println!("{electrons} e-, rule {number} ({rule:?}): {e}"),
            }
        }
        let n = f64::from(right.max(1));
        println!(
            "{electrons:9} {right:4}/{count} {:9.5} {:9.5} {:9.5} {:9.4} {explained:8.4} {slip:8.4} {:7.0} %",
            100.0 * f64::sqrt(sum / n),
            100.0 * most,
            100.0 * f64::sqrt(claimed / n),
            f64::sqrt(turned / n),
            100.0 * f64::from(covered) / n
        );
    }
}
