//! Numbers as the window writes and reads them.

/// A number with fixed decimals, a real minus sign and, if requested, a plus sign.
pub fn number_text(value: f64, decimals: u8, signed: bool) -> String {
    let text = format!("{:.*}", usize::from(decimals), value.abs());
    let is_zero = text.chars().all(|c| matches!(c, '0' | '.'));
    match (value < 0.0 && !is_zero, signed && !is_zero) {
        (true, _) => format!("−{text}"),
        (false, true) => format!("+{text}"),
        (false, false) => text,
    }
}

/// A typed number: decimal point or comma, any minus sign, a unit behind it.
pub fn parse_number(text: &str) -> Option<f64> {
    let text = text.trim().replace('−', "-").replace(',', ".");
    let number: String =
        text.chars().take_while(|c| c.is_ascii_digit() || matches!(c, '.' | '-' | '+')).collect();
    number.parse().ok().filter(|value: &f64| value.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_carry_a_sign_only_where_both_signs_are_possible() {
        assert_eq!(number_text(0.3, 2, true), "+0.30");
        assert_eq!(number_text(-0.304, 2, true), "−0.30");
        assert_eq!(number_text(-0.001, 2, true), "0.00");
        assert_eq!(number_text(1.0, 2, false), "1.00");
        assert_eq!(number_text(-1.0, 0, false), "−1");
    }

    #[test]
    fn typed_numbers_may_have_commas_signs_and_units() {
        assert_eq!(parse_number(" +0,3 stops"), Some(0.3));
        assert_eq!(parse_number("−12 CC"), Some(-12.0));
        assert_eq!(parse_number("mixed"), None);
        assert_eq!(parse_number(""), None);
    }
}
