//! The one place that reads the wall clock.

use std::time::{SystemTime, UNIX_EPOCH};

/// Now, in universal time, as `YYYY:MM:DD HH:MM:SS`.
pub(crate) fn now_text() -> String {
    text_of(now_unix_s())
}

/// Today, in universal time, as `YYYY-MM-DD`.
pub(crate) fn today_text() -> String {
    now_text().split(' ').next().unwrap_or_default().replace(':', "-")
}

/// Now, in seconds since 1970; a clock set before counts as 1970.
pub(crate) fn now_unix_s() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs())
}

/// When a moment was, in words: how long ago within a week, else its date in universal time.
pub(crate) fn day_text(unix_s: u64) -> String {
    const MONTHS: [&str; 12] = [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ];
    // A date in the future, from a clock that ran ahead, counts as now.
    let unix_s = unix_s.min(now_unix_s());
    if now_unix_s() - unix_s < 7 * 86_400 {
        return ago_text(UNIX_EPOCH + std::time::Duration::from_secs(unix_s));
    }
    let text = text_of(unix_s);
    let mut parts = text.split([':', ' ']).map(|part| part.parse::<usize>().unwrap_or_default());
    let (year, month, day) = (parts.next(), parts.next(), parts.next());
    let name = month.and_then(|month| MONTHS.get(month.saturating_sub(1))).copied().unwrap_or_default();
    format!("{} {name} {}", day.unwrap_or_default(), year.unwrap_or_default())
}

/// How long ago `then` was, in words.
pub(crate) fn ago_text(then: SystemTime) -> String {
    // A file dated in the future, from a clock that runs ahead, counts as just written.
    let seconds = SystemTime::now().duration_since(then).map_or(0, |since| since.as_secs());
    let of = |count: u64, unit: &str| format!("{count} {unit}{} ago", if count == 1 { "" } else { "s" });
    match seconds {
        0..60 => "less than a minute ago".to_owned(),
        60..3_600 => of(seconds / 60, "minute"),
        3_600..86_400 => of(seconds / 3_600, "hour"),
        _ => of(seconds / 86_400, "day"),
    }
}

/// Seconds since 1970 as a date and time of the proleptic Gregorian calendar.
///
/// Days are counted from 1 March of year 0, so that the leap day is the last of its year; 400 years have 146 097 days.
fn text_of(seconds: u64) -> String {
    let (days, second) = (seconds / 86_400, seconds % 86_400);
    let day = days + 719_468;
    let era = day / 146_097;
    let day_of_era = day % 146_097;
    let year_of_era = (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day_of_month = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 { month_from_march + 3 } else { month_from_march - 9 };
    let year = era * 400 + year_of_era + u64::from(month <= 2);
    format!(
        "{year:04}:{month:02}:{day_of_month:02} {:02}:{:02}:{:02}",
        second / 3_600,
        second / 60 % 60,
        second % 60
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_in_the_past_is_told_in_its_largest_unit() {
        let ago = |seconds| ago_text(SystemTime::now() - std::time::Duration::from_secs(seconds));
        assert_eq!(ago(5), "less than a minute ago");
        assert_eq!(ago(61), "1 minute ago");
        assert_eq!(ago(2 * 3_600 + 5), "2 hours ago");
        assert_eq!(ago(86_400 * 3 + 5), "3 days ago");
    }

    #[test]
    fn a_moment_more_than_a_week_ago_is_told_by_its_date() {
        assert_eq!(day_text(1_709_251_199), "29 February 2024");
        assert_eq!(day_text(now_unix_s() - 2 * 86_400), "2 days ago");
    }

    #[test]
    fn seconds_become_calendar_dates() {
        // Source: `date -u -d @N`.
        assert_eq!(text_of(0), "1970:01:01 00:00:00");
        assert_eq!(text_of(951_782_400), "2000:02:29 00:00:00");
        assert_eq!(text_of(1_709_251_199), "2024:02:29 23:59:59");
        assert_eq!(text_of(4_102_444_800), "2100:01:01 00:00:00");
    }
}
