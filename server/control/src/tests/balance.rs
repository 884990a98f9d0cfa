//! The arithmetic of an account, alone.

use proptest::prelude::*;
use tallyseal_schema::kinds::{Limit, Limits, Terms, Verdict};
use tallyseal_schema::{Labels, Ratio};

use crate::reconciliation::{Account, Given, account, rounded};
use crate::testing::labels;
use crate::{accounted_percent, unaccounted_percent};

/// Every label that the worked example of the project's regulations notes issues and finds again.
const WORKED: Terms =
    Terms { coded: 1_676, good: 50_112, issued: 52_340, rejected: 187, returned: 0, samples: 24, spoiled: 326 };

const NOTHING: Terms = Terms { coded: 0, good: 0, issued: 0, rejected: 0, returned: 0, samples: 0, spoiled: 0 };

fn ratio(num: u32, den: u32) -> Ratio {
    Ratio::new(num, den).unwrap()
}

fn limit(number: u32, num: u32, den: u32) -> Limit {
    Limit { labels: labels(number), ratio: ratio(num, den) }
}

/// Nothing may be unexplained.
fn none() -> Limits {
    let none = limit(0, 0, 1);
    Limits { over: none.clone(), product_over: none.clone(), product_short: none.clone(), short: none }
}

/// Short may be 50 labels and 1/1000 of what was issued, over 3 and 1/10000; the product test the same.
fn usual() -> Limits {
    let (short, over) = (limit(50, 1, 1_000), limit(3, 1, 10_000));
    Limits { over: over.clone(), product_over: short.clone(), product_short: over, short }
}

/// One label on each unit, as many units as good labels, not coded, counters exact.
fn plain(terms: Terms, limits: &Limits) -> Account {
    let units = terms.good;
    judged(terms, limits, units, false, 0)
}

fn judged(terms: Terms, limits: &Limits, units: u64, coded: bool, uncertainty: u32) -> Account {
    let given =
        Given { coded, labels_per_unit: ratio(1, 1), limits, terms: &terms, uncertainty: labels(uncertainty), units };
    account(&given).unwrap()
}

/// An order of 10,000 labels of which so many are short; negative: over.
fn short_by(short: i64) -> Terms {
    Terms { good: u64::try_from(10_000 - short).unwrap(), issued: 10_000, ..NOTHING }
}

#[test]
fn worked_example_of_the_projects_regulations_notes_our_own_numbers() {
    assert_eq!([10_480, 10_465, 10_470, 10_462, 10_463].iter().sum::<u64>(), WORKED.issued);
    let account = plain(WORKED, &usual());
    assert_eq!((account.unaccounted, account.product), (15, 15));
    assert_eq!((account.balance, account.against_product), (Verdict::Within, Verdict::Within));
    assert_eq!(accounted_percent(WORKED.issued, account.unaccounted), "99.9713");
    assert_eq!(unaccounted_percent(WORKED.issued, account.unaccounted), "0.0287");
}

#[test]
fn each_term_counts_once_and_on_its_side() {
    let base = Terms { issued: 1_000, ..NOTHING };
    let one: [fn(&mut Terms) -> &mut u64; 6] = [
        |terms| &mut terms.coded,
        |terms| &mut terms.good,
        |terms| &mut terms.rejected,
        |terms| &mut terms.returned,
        |terms| &mut terms.samples,
        |terms| &mut terms.spoiled,
    ];
    for (place, field) in one.iter().enumerate() {
        let mut terms = base.clone();
        *field(&mut terms) = 7;
        let account = judged(terms, &usual(), 100, false, 0);
        assert_eq!(account.unaccounted, 993, "term {place}");
        // What is on good units is what the product test asks for: it is never put into it.
        let product = if place == 1 { 900 } else { 893 };
        assert_eq!(account.product, product, "term {place}");
    }
}

#[test]
fn a_limit_holds_to_the_label_and_to_the_ratio_and_both_must() {
    use Verdict::{Outside, Within};
    let with = |limit: Limit| Limits { short: limit.clone(), product_over: limit, ..none() };
    for (short, limits, verdict) in [
        (0, none(), Within),
        (1, none(), Outside),
        // 10 labels, and 1/1000 of 10,000, which are 10.
        (10, with(limit(10, 1, 1_000)), Within),
        (11, with(limit(11, 1, 1_000)), Outside),
        (11, with(limit(10, 1, 100)), Outside),
        (11, with(limit(11, 1, 100)), Within),
        (10, with(limit(10, 1, 1_001)), Outside),
        (9, with(limit(10, 1, 1_001)), Within),
        // The limit for over is no help for short.
        (1, Limits { over: limit(5, 1, 1), product_short: limit(5, 1, 1), ..none() }, Outside),
    ] {
        let account = plain(short_by(short), &limits);
        assert_eq!((account.balance, account.outside_over), (verdict, false), "{short} {limits:?}");
        assert_eq!(judged(short_by(short), &limits, 10_000 - short as u64, false, 0).balance, verdict);
    }
}

#[test]
fn over_has_limits_of_its_own_and_then_the_uncertainty_of_the_counts() {
    use Verdict::{Outside, Within, WithinUncertainty};
    let with = |limit: Limit| Limits { over: limit.clone(), product_short: limit, ..none() };
    for (over, limits, uncertainty, verdict) in [
        (1, none(), 0, Outside),
        (1, with(limit(1, 1, 10_000)), 0, Within),
        (2, with(limit(1, 1, 1_000)), 0, Outside),
        (2, with(limit(2, 1, 10_000)), 0, Outside),
        (5, none(), 5, WithinUncertainty),
        (6, none(), 5, Outside),
        (1, with(limit(1, 1, 10_000)), 5, Within),
        (2, with(limit(1, 1, 10_000)), 5, WithinUncertainty),
        // The limit for short is no help for over.
        (1, Limits { short: limit(5, 1, 1), product_over: limit(5, 1, 1), ..none() }, 0, Outside),
    ] {
        let units = 10_000 + over;
        let account = judged(short_by(-(over as i64)), &limits, units, false, uncertainty);
        assert_eq!((account.balance, account.against_product), (verdict, verdict), "{over} {limits:?} {uncertainty}");
        assert_eq!(account.outside_over, verdict == Outside);
        assert_eq!(account.outside(), verdict == Outside);
    }
    // Short is never excused by the uncertainty: that is what its limit was made from.
    assert_eq!(judged(short_by(1), &none(), 9_999, false, 5).balance, Outside);
}

#[test]
fn one_coded_label_too_many_is_outside_whatever_the_limits() {
    let wide = limit(1_000, 1, 1);
    let wide = Limits { over: wide.clone(), product_over: wide.clone(), product_short: wide.clone(), short: wide };
    let account = judged(short_by(-1), &wide, 10_001, true, 100);
    assert_eq!((account.balance, account.against_product), (Verdict::Outside, Verdict::Outside));
    assert!(account.outside_over);
    assert_eq!(judged(short_by(-1), &wide, 10_001, false, 100).balance, Verdict::Within);
    // Short ones are held to their limits as others are, and 0 is 0.
    assert_eq!(judged(short_by(1), &wide, 9_999, true, 100).balance, Verdict::Within);
    assert_eq!(judged(short_by(0), &wide, 10_000, true, 100).balance, Verdict::Within);
}

#[test]
fn the_product_test_sees_what_the_balance_cannot() {
    // The dispenser says 10,000, and the unit counter 9,900: the balance is 0, and a hundred labels are on no unit.
    let account = judged(short_by(0), &usual(), 9_900, false, 0);
    assert_eq!((account.unaccounted, account.balance), (0, Verdict::Within));
    assert_eq!((account.product, account.against_product), (100, Verdict::Outside));
    assert!(!account.outside_over);
    // A hundred units too many carry labels that were never issued.
    let account = judged(short_by(0), &usual(), 10_100, false, 0);
    assert_eq!((account.product, account.against_product), (-100, Verdict::Outside));
    assert!(account.outside_over);
}

#[test]
fn one_shipper_label_for_24_units_leaves_parts_of_a_label() {
    let of = |good: u64, units: u64, limits: &Limits, coded: bool| {
        let terms = Terms { good, issued: 110, returned: 110 - good, ..NOTHING };
        let labels_per_unit = ratio(1, 24);
        account(&Given { coded, labels_per_unit, limits, terms: &terms, uncertainty: labels(0), units }).unwrap()
    };
    let exact = of(100, 2_400, &none(), true);
    assert_eq!((exact.unaccounted, exact.product, exact.outside()), (0, 0, false));
    // The last case has ten units in it. Without its label: 10/24 short; with it: 14/24 over.
    for (good, product) in [(100, -10), (101, 14)] {
        let one = limit(1, 1, 100);
        let allowed = Limits { product_over: one.clone(), product_short: one, ..none() };
        assert_eq!(of(good, 2_410, &none(), false).product, product);
        assert_eq!(of(good, 2_410, &none(), false).against_product, Verdict::Outside);
        assert_eq!(of(good, 2_410, &allowed, false).against_product, Verdict::Within);
        // A part of a label is no coded label too many; a whole one is.
        assert_eq!(of(good, 2_410, &allowed, true).against_product, Verdict::Within);
    }
    let one = limit(2, 1, 1);
    let allowed = Limits { product_short: one, ..none() };
    assert_eq!(of(100, 2_423, &allowed, true).against_product, Verdict::Within);
    assert_eq!(of(100, 2_424, &allowed, true).against_product, Verdict::Outside);
    // 1/100 of 110 is 1.1 label: 26/24 are inside, 27/24 are not.
    let ratio = Limits { product_short: limit(2, 1, 100), ..none() };
    assert_eq!(of(100, 2_426, &ratio, false).against_product, Verdict::Within);
    assert_eq!(of(100, 2_427, &ratio, false).against_product, Verdict::Outside);
}

#[test]
fn where_nothing_was_issued_nothing_may_be_found() {
    let account = plain(NOTHING, &none());
    assert_eq!((account.unaccounted, account.product, account.outside()), (0, 0, false));
    let found = plain(Terms { good: 1, ..NOTHING }, &usual());
    assert_eq!((found.unaccounted, found.balance), (-1, Verdict::Outside));
    assert_eq!((accounted_percent(0, 0), unaccounted_percent(0, 0)), ("-".to_owned(), "-".to_owned()));
    assert_eq!(accounted_percent(0, -1), "-");
}

#[test]
fn numbers_that_no_order_has_give_no_account_instead_of_a_wrong_one() {
    let given = |terms: &Terms, units: u64| {
        let limits = none();
        let labels_per_unit = ratio(Ratio::MAX, 1);
        account(&Given { coded: false, labels_per_unit, limits: &limits, terms, uncertainty: Labels::ZERO, units })
    };
    assert_eq!(given(&Terms { issued: u64::MAX, ..NOTHING }, 0), None);
    assert_eq!(given(&NOTHING, u64::MAX), None);
    assert!(given(&NOTHING, 1_000).is_some());
}

#[test]
fn a_percentage_is_rounded_half_up_once_and_from_the_exact_value() {
    // Published: USP General Notices 7.20, the table of examples, and the EDQM's answers on rounding of Ph. Eur. 1.4.
    for (value, decimals, shown) in [
        (9_796, 1, "98.0"),
        (9_792, 1, "97.9"),
        (9_795, 1, "98.0"),
        (10_155, 1, "101.6"),
        (10_146, 1, "101.5"),
        (10_145, 1, "101.5"),
    ] {
        assert_eq!(rounded(value, 100, decimals).unwrap(), shown, "USP, {value}/100");
    }
    for (value, scale, decimals, shown) in [
        (25, 1_000, 2, "0.03"),
        (15, 1_000, 2, "0.02"),
        (27, 1_000, 2, "0.03"),
        (35, 100_000, 4, "0.0004"),
        (25, 100_000, 4, "0.0003"),
        (28, 100_000, 4, "0.0003"),
    ] {
        assert_eq!(rounded(value, scale, decimals).unwrap(), shown, "USP, {value}/{scale}");
    }
    for (value, shown) in [(145, "0.15"), (284, "0.28")] {
        assert_eq!(rounded(value, 1_000, 2).unwrap(), shown, "EDQM, {value}/1000");
    }
    // Our own: rounded twice this would be 100.0.
    assert_eq!(rounded(999_499_999, 10_000_000, 1).unwrap(), "99.9");
    assert_eq!((rounded(1, 8, 0).unwrap(), rounded(5, 2, 0).unwrap()), ("0".to_owned(), "3".to_owned()));
    assert_eq!(rounded(1, 0, 2), None);
    assert_eq!(rounded(u128::MAX, 2, 2), None);
}

#[test]
fn accounted_for_is_never_100_percent_while_a_label_is_missing_or_too_many() {
    for (issued, unaccounted, accounted, rest) in [
        (10_000, 0, "100.00", "0.00"),
        // Our own numbers: yields as 21 CFR 211.103 asks for them.
        (10_000, 50, "99.50", "0.50"),
        (48_000, 144, "99.70", "0.30"),
        (10_000, 5, "99.95", "0.05"),
        (10_000, -1, "100.01", "0.01"),
        (10_000, 10_000, "0.00", "100.00"),
        (3, 1, "66.6667", "33.3333"),
        (1_000_000, 1, "99.9999", "0.0001"),
        (2_000_000, 1, "more than 99.9999", "0.0001"),
        (2_000_001, 1, "more than 99.9999", "less than 0.0001"),
        (2_000_000, -1, "100.0001", "0.0001"),
        (2_000_001, -1, "more than 100", "less than 0.0001"),
        (u64::MAX, 1, "more than 99.9999", "less than 0.0001"),
        (10, -15, "250.00", "150.00"),
    ] {
        assert_eq!(accounted_percent(issued, unaccounted), accounted, "{unaccounted} of {issued}");
        assert_eq!(unaccounted_percent(issued, unaccounted), rest, "{unaccounted} of {issued}");
    }
    // Nothing can be more missing than all; the function still answers.
    assert_eq!(accounted_percent(10, 11), "-");
}

/// An exact fraction with its own arithmetic: another way to the same verdicts than cross-multiplied limits.
#[derive(Clone, Copy)]
struct Fraction {
    den: u128,
    num: u128,
}

impl Fraction {
    fn of(num: u128, den: u128) -> Self {
        let (mut a, mut b) = (num, den);
        while b != 0 {
            (a, b) = (b, a % b);
        }
        Self { den: den / a.max(1), num: num / a.max(1) }
    }

    /// Compared digit by digit of the continued fraction, without any multiplication.
    fn at_most(self, other: Self) -> bool {
        let ((mut a, mut b), (mut c, mut d)) = ((self.num, self.den), (other.num, other.den));
        let mut turned = false;
        loop {
            let (left, right) = (a / b, c / d);
            if left != right {
                return (left < right) != turned;
            }
            (a, c) = (a % b, c % d);
            match (a == 0, c == 0) {
                (true, true) => return true,
                (true, false) => return !turned,
                (false, true) => return turned,
                (false, false) => {}
            }
            // Both rests are turned over, and so is the comparison.
            (a, b, c, d) = (b, a, d, c);
            turned = !turned;
        }
    }
}

/// As a person would judge it: the difference in labels as a fraction, held against each limit as a fraction.
fn by_hand(difference: Fraction, over: bool, limit: &Limit, issued: u64, coded: bool, uncertainty: u32) -> Verdict {
    if difference.num == 0 {
        return Verdict::Within;
    }
    let one = Fraction::of(1, 1);
    if over && coded && one.at_most(difference) {
        return Verdict::Outside;
    }
    let labels = Fraction::of(u128::from(limit.labels.get()), 1);
    let (num, den) = (u128::from(limit.ratio.num()), u128::from(limit.ratio.den()));
    let of_issued = Fraction::of(num * u128::from(issued), den);
    if difference.at_most(labels) && difference.at_most(of_issued) {
        return Verdict::Within;
    }
    let may_be_off = Fraction::of(u128::from(uncertainty), 1);
    if over && !coded && difference.at_most(may_be_off) { Verdict::WithinUncertainty } else { Verdict::Outside }
}

/// Percent by long division, one digit after another, with one digit more to round by.
fn divided(part: u64, whole: u64, decimals: usize) -> String {
    let (part, whole) = (u128::from(part) * 100, u128::from(whole));
    let (mut digits, mut rest): (Vec<u8>, u128) = (Vec::new(), part % whole);
    for _ in 0..=decimals {
        rest *= 10;
        digits.push(u8::try_from(rest / whole).unwrap());
        rest %= whole;
    }
    let (mut before, mut carry) = (part / whole, digits.pop().unwrap() >= 5);
    for digit in digits.iter_mut().rev() {
        if carry {
            carry = *digit == 9;
            *digit = if carry { 0 } else { *digit + 1 };
        }
    }
    before += u128::from(carry);
    let after: String = digits.iter().map(ToString::to_string).collect();
    format!("{before}.{after}")
}

fn a_limit() -> impl Strategy<Value = Limit> {
    (0_u32..60, 0_u32..4, 1_u32..2_000).prop_map(|(number, num, den)| limit(number, num, den))
}

proptest! {
    #[test]
    fn verdicts_are_those_of_exact_fractions(
        issued in 0_u64..60_000,
        // Near to what was issued, so that limits matter.
        apart in -70_i64..70,
        spread in proptest::array::uniform5(0_u64..400),
        off in -200_i64..200,
        (num, den) in (1_u32..30, 1_u32..30),
        [over, product_over, product_short, short] in proptest::array::uniform4(a_limit()),
        coded: bool,
        uncertainty in 0_u32..60,
    ) {
        let [coded_labels, rejected, returned, samples, spoiled] = spread;
        let rest: u64 = spread.iter().sum();
        let good = u64::try_from(i64::try_from(issued).unwrap() - i64::try_from(rest).unwrap() - apart).unwrap_or(0);
        let units = u64::try_from(i64::try_from(good * u64::from(den) / u64::from(num)).unwrap() + off).unwrap_or(0);
        let terms = Terms { coded: coded_labels, good, issued, rejected, returned, samples, spoiled };
        let limits = Limits { over, product_over, product_short, short };
        let labels_per_unit = ratio(num, den);
        let given = Given { coded, labels_per_unit, limits: &limits, terms: &terms, uncertainty: labels(uncertainty), units };
        let account = account(&given).unwrap();

        let used = rest + good;
        let (found, over) = (issued.abs_diff(used), used > issued);
        prop_assert_eq!(account.unaccounted.unsigned_abs(), found);
        prop_assert_eq!(account.unaccounted < 0, over);
        let limit = if over { &limits.over } else { &limits.short };
        let difference = Fraction::of(u128::from(found), 1);
        prop_assert_eq!(account.balance, by_hand(difference, over, limit, issued, coded, uncertainty));

        // In parts of a label: what the balance leaves, and what the units need.
        let (num, den) = (u64::from(num), u64::from(den));
        let (left, needed) = (issued * den, units * num + rest * den);
        let (found, fewer) = (left.abs_diff(needed), needed > left);
        prop_assert_eq!(account.product.unsigned_abs(), found);
        prop_assert_eq!(account.product < 0, fewer);
        let limit = if fewer { &limits.product_short } else { &limits.product_over };
        let difference = Fraction::of(u128::from(found), u128::from(den));
        prop_assert_eq!(account.against_product, by_hand(difference, fewer, limit, issued, coded, uncertainty));

        // Where the units are those of the labels and there are no parts, both tests are one.
        if num == 1 && den == 1 && units == good {
            prop_assert_eq!(account.product, account.unaccounted);
        }
    }

    #[test]
    fn percentages_are_those_of_long_division(issued in 1_u64..10_000_000, part in 0_u64..10_000_000) {
        let by_division = divided(part, issued, 4);
        let shown = rounded(u128::from(part) * 100, u128::from(issued), 4).unwrap();
        prop_assert_eq!(&shown, &by_division);
        let unaccounted = i64::try_from(issued).unwrap() - i64::try_from(part).unwrap();
        let accounted = accounted_percent(issued, unaccounted);
        if unaccounted != 0 {
            prop_assert!(accounted != "100.00" && unaccounted_percent(issued, unaccounted) != "0.00");
        }
        // The zeros at the end are all that is left away.
        if !accounted.contains("than") {
            let zeros = by_division.strip_prefix(&accounted).unwrap();
            prop_assert!(zeros.len() <= 2 && zeros.bytes().all(|zero| zero == b'0'));
        }
    }
}
