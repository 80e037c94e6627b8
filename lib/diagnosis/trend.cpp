#include "diagnosis/trend.h"

#include <algorithm>
#include <cmath>
#include <span>
#include <utility>

#include "diagnosis/assumed.h"
#include "electrode/first_order.h"
#include "electrode/membrane.h"
#include "estimate/robust.h"

namespace probekeeper::diagnosis {
namespace {

constexpr double day_ms = 86'400'000.0;
constexpr std::int64_t batch_ms = 8 * 3'600'000;
// Declines whose moment nothing told stand together for a day at most. None of them is left out for telling
// little: of a quick probe those that say much say too much. So where they differ by more (in ln), or a usual
// one knows less of itself, none is heard. No number of them averages away the aerator's running down, nor a
// part of what makes them differ. Guesses that the simulated plants bear out.
constexpr std::int64_t found_batch_ms = 24 * 3'600'000;
constexpr std::uint32_t fewest_found = 4, enough_found = 12;
constexpr double most_found_scatter = 0.5, worst_found_error = 0.6, found_error = 0.08, common_part = 0.4;
// What no number of tests averages away: the response model, the temperature correction, the water.
constexpr double model_error = 0.03;
// Of declines, too, over a few hours: the load of the water changes how it bends.
constexpr double decline_model_error = 0.06;
// Of those that noise leaves little of, the ones that seem late seem surer too. Where so many more were too
// uncertain than were not, these would tell a longer T90 than there is. A guess.
constexpr double most_unsure = 0.5;
constexpr std::uint32_t unsure_remembered = 24;
// Of rises, over a few hours: what the load does to them. A guess.
constexpr double rise_model_error_s = 8.0;
// Steps and declines tell a probe better than rises do, which speak of it when there have been none for so
// long.
constexpr std::int64_t others_silent_ms = 3 * 86'400'000LL;
// Of the value that is reported: a fit's T90 and the T90 of a step in the laboratory differ by about this.
constexpr double definition_error = 0.04;
// A decline tells the lag behind a ramp, and the water's own bend passes for some of it. A guess that the
// simulated plants bear out.
constexpr double decline_error = 0.05;
// Of blasts whose ends no bit tells: a kind of response that is taken for the other moves the ends, of all
// alike. A guess that the simulated plants bear out.
constexpr double ends_found_error = 0.07;
// Of one or two tests alone, which nothing checks: water that moves by itself can pass for a response. A
// guess.
constexpr double few_tests_error = 0.05;
constexpr std::uint32_t fewest_fresh_tests = 5;
// A slope says nothing of months to come: where tests have long stopped, it is not followed any further.
// Coating goes on unseen, so that what is unknown grows all the same.
constexpr double longest_ahead_days = 14.0;
constexpr double found_ahead_days = 4.0;  // of such as are found where the water lets them. A guess
constexpr double settled_days = 0.25;     // a new membrane settles in minutes to hours
// Until then the fresh value follows the level: the sources of tests come into line with each other
// meanwhile.
constexpr double refined_days = 2.0;
constexpr double fresh_days = 6.0;  // later it is not fresh any more

constexpr double ln10 = electrode::first_order_t90_over_tau;
// ln of T90 over the tail's time constant, and over the mean lag, each over the same of first order.
double const membrane_tail_ln = std::log(electrode::membrane_t90_over_tail / ln10);
// What the one kind of response makes of a blast and what the other does may differ by so much more at most:
// beyond it one of them is far from anything that fits.
double const most_membrane_ln = 2.0 * membrane_tail_ln;
double const membrane_mean_ln = std::log(electrode::membrane_t90_over_mean / ln10);
// Of it: what lags beside the membrane, a film or a filter, is in both in other parts. And the odds that it
// can bring at most. Guesses; of what neighbours say plainly of the kinds of simulated probes, a quarter is
// wrong.
constexpr double lag_model_error = 0.1, most_neighbour_evidence = 1.5;
// So many blasts tell the kind of response; later ones tell only how much T90 differs by it.
constexpr std::uint32_t enough_blasts = 40;
constexpr double blasts_remembered = 20.0;
// However many agree: what lags beside the membrane can make a first-order response look like diffusion, and
// no blast tells that. A guess; of some sixty simulated cleaners one deceives.
constexpr double most_blast_evidence = 4.5;
// And where no bit tells their ends: these move with the kind. Of 42 such simulated cleaners three deceived.
constexpr double most_found_evidence = 3.0;
// A film and the output's damping are in the mean lag, too, and in no tail. A guess.
constexpr double most_offset_evidence = 3.0;
// What declines say of the kind they all say with the same water and the same aerator, so that it is what
// they say on average that counts, and their number only until that is known. Guesses, which simulated tanks
// bear out: of those that say most, one in thirty deceives.
constexpr std::uint32_t enough_declines = 200;
constexpr double declines_unsure = 10.0;
constexpr double decline_evidence_share = 2.5, most_decline_evidence = 3.0;
// So many show that stops of the air test a position. A guess.
constexpr std::uint32_t enough_for_a_position = 10;
// The water on its way from one probe to the other, and what their fits make of the same edge. A guess.
constexpr double apart_delay_error_s = 2.0;
// What is configured may be plainly wrong: odds of five to one are the most it can bring. A guess: about as
// often it is right about the kinds of simulated probes.
constexpr double most_nominal_evidence = 1.6;
// How near one of unknown age comes to the T90 its configuration expects, having usually slowed a little
// (standard deviation of ln). Guesses, too.
constexpr double used_slower = 0.1, used_error = 0.2;
// Of T90, s: what all blasts of a position are off by, for each is flushed by the same water and air at the
// same place. A guess that the simulated plants bear out.
constexpr double flush_error_s = 2.2;

double square(double x) {
    return x * x;
}

double probability_of(double ln_odds) {
    return 1.0 / (1.0 + std::exp(-ln_odds));
}

bool is_step(TestSource source) {
    return source == TestSource::cleaning || source == TestSource::air_exposure;
}

}  // namespace

Trend::Trend() : membrane_ln_{membrane_tail_ln} {}

void Trend::take(std::int64_t time_ms, TestSource source, double ln_to_20, ResponseFit const& fit,
                 double nominal_s, CoatingPrior const& coating) {
    nominal_s_ = nominal_s;
    if (!level_.started()) {
        level_.expect_coating(coating.slope_per_day, coating.error);
    }
    if (fit.onset_found) {
        add_decline(time_ms, ln_to_20, fit);
        return;
    }
    bool const rise = source == TestSource::aeration_on;
    if (!rise || level_.started()) {
        newest_ms_ = std::max(newest_ms_, time_ms);
    }
    if (rise) {
        add(rises_, time_ms, {fit.late_s, fit.late_error_s, ln_to_20});
        return;
    }
    newest_other_ms_ = std::max(newest_other_ms_, time_ms);
    if (!is_step(source)) {
        add_decline(time_ms, ln_to_20, fit);
        saw_decline(fit);
        return;
    }
    bool const whole = !std::isnan(fit.ln_t90_membrane);
    double const ln_tau = whole ? first_order_ln(fit) - std::log(ln10) : std::log(fit.tau_s);
    add(steps_, time_ms, {ln_tau, fit.ln_error, ln_to_20});
    tests_ += fit.blasts - 1;  // the rest when the batch is closed
    if (whole) {
        saw_blast(fit);
    }
}

bool Trend::far_apart(ResponseFit const& fit) {
    return std::abs(fit.ln_t90_membrane - fit.ln_t90_first_order) > most_membrane_ln;
}

// ln T90 as if the response were of first order.
double Trend::first_order_ln(ResponseFit const& fit) const {
    bool const missed = fit.membrane_evidence > 0.0 && far_apart(fit);
    return missed ? fit.ln_t90_membrane - membrane_ln_ : fit.ln_t90_first_order;
}

double Trend::lag_s(TestSource source, ResponseFit const& fit) const {
    if (source == TestSource::aeration_on) {
        double const late_s = fit.late_s - level_.rise_habit_s();
        return std::max(level_.lag_s(late_s), 0.25 * fit.tau_s);
    }
    return is_step(source) || fit.onset_found ? fit.tau_s : level_.lag_s(fit.late_s);
}

double Trend::lag_error_s(TestSource source) const {
    if (is_step(source)) {
        return 0.0;
    }
    double const habit_s = source == TestSource::aeration_on ? level_.rise_habit_error_s() : 0.0;
    return std::hypot(level_.delay_error_s(), habit_s);
}

void Trend::add_decline(std::int64_t time_ms, double ln_to_20, ResponseFit const& fit) {
    if (fit.onset_found != declines_found_ && declines_.count > 0) {
        close(declines_);
    }
    declines_found_ = fit.onset_found;
    double const late_s = declines_found_ ? fit.tau_s : fit.late_s;
    double const error_s = declines_found_ ? fit.ln_error * fit.tau_s : fit.late_error_s;
    add(declines_, time_ms, {std::log(late_s), error_s / late_s, ln_to_20});
}

bool Trend::found(Batch const& batch) const {
    return &batch == &declines_ && declines_found_;
}

bool Trend::waited(Batch const& batch, std::int64_t time_ms) const {
    return batch.count > 0 && time_ms - batch.first_ms > (found(batch) ? found_batch_ms : batch_ms);
}

void Trend::add(Batch& batch, std::int64_t time_ms, Measured const& test) {
    if (batch.count == (found(batch) ? enough_found : batch.ln.size()) || waited(batch, time_ms)) {
        &batch == &rises_ ? close_rises() : close(batch);
    }
    if (batch.count == 0) {
        batch.first_ms = time_ms;
        batch.ln_to_20 = 0.0F;
    }
    batch.last_ms = time_ms;
    batch.ln[batch.count] = static_cast<float>(test.ln_s);
    batch.error[batch.count] = static_cast<float>(test.error);
    batch.ln_to_20 += static_cast<float>(test.ln_to_20);
    ++batch.count;
}

// The kind of response belongs to the kind of probe. Once it is told it is left alone: slime and a coated
// anode lag beside the membrane, too, and what blasts seem to say then would pass for a change of T90.
void Trend::saw_blast(ResponseFit const& fit) {
    double const more = std::clamp(fit.ln_t90_membrane - fit.ln_t90_first_order, 0.0, most_membrane_ln);
    blasts_ += fit.blasts;
    double const gain = 1.0 / std::min<double>(blasts_, blasts_remembered);
    membrane_ln_ += far_apart(fit) ? 0.0 : gain * (more - membrane_ln_);
    ends_found_part_ += gain * ((fit.ends_found ? 1.0 : 0.0) - ends_found_part_);
    if (blasts_ <= enough_blasts) {
        blast_evidence_ += fit.membrane_evidence;
        tell_kind();
    }
}

void Trend::saw_unsure_decline() {
    unsure_declines_ = std::min(unsure_declines_ + 1, unsure_remembered);
}

void Trend::saw_decline(ResponseFit const& fit) {
    if (fit.membrane_evidence == 0.0) {
        return;
    }
    declines_heard_ = std::min(declines_heard_ + 1, enough_declines);
    decline_evidence_ += (fit.membrane_evidence - decline_evidence_) / declines_heard_;
    tell_kind();
}

// Four signs of membrane diffusion: the whole course of blasts and of declines, how much later declines are
// than the tails of steps, and that a fresh probe's T90 should be what its configuration expects.
double Trend::kind_evidence() const {
    double const seen = declines_heard_ / (declines_heard_ + declines_unsure);
    double const declines = decline_evidence_share * seen * decline_evidence_;
    double const most = most_blast_evidence + ends_found_part_ * (most_found_evidence - most_blast_evidence);
    return std::clamp(blast_evidence_, -most, most) + nominal_evidence_ + offset_evidence_ +
           std::clamp(declines, -most_decline_evidence, most_decline_evidence);
}

void Trend::tell_kind() {
    membrane_probability_ = probability_of(kind_evidence() + neighbour_evidence_);
}

// ln of the mean lag over what the level is, where the response is a membrane's; of a first-order lag it is
// nothing.
double Trend::lag_over_level() const {
    return membrane_ln_ - membrane_mean_ln;
}

void Trend::heard_lag(std::int64_t at_ms, LnKnown const& ln_lag) {
    if (steps_batches_ == 0) {
        return;  // the level is the lag itself
    }
    auto const now = level_.ahead(days_ahead(at_ms));
    double const over_tail = ln_lag.ln - now.ln_tau;
    double const error = std::sqrt(square(ln_lag.error) + square(now.error) + square(lag_model_error));
    double const more = lag_over_level();
    double const evidence = more / square(error) * (over_tail - 0.5 * more);
    neighbour_evidence_ = std::clamp(evidence, -most_neighbour_evidence, most_neighbour_evidence);
    tell_kind();
}

ResponseModel Trend::model() const {
    return membrane_probability() > 0.5 ? ResponseModel::membrane : ResponseModel::first_order;
}

void Trend::compare_with_nominal(double expected_ln, double error) {
    double const as_first_order = level_.ln_tau() + std::log(ln10) - expected_ln;
    double const shift = membrane_ln_;
    double const evidence = -shift / square(error) * (as_first_order + 0.5 * shift);
    nominal_evidence_ = std::clamp(evidence, -most_nominal_evidence, most_nominal_evidence);
    tell_kind();
}

double Trend::t90_over_tau(TestSource source) const {
    if (model() == ResponseModel::first_order) {
        return ln10;
    }
    return is_step(source) ? electrode::membrane_t90_over_tail : electrode::membrane_t90_over_mean;
}

double Trend::t90_s(TestSource source, ResponseFit const& fit) const {
    if (is_step(source) && !std::isnan(fit.ln_t90_membrane)) {
        return std::exp(model() == ResponseModel::membrane ? fit.ln_t90_membrane : first_order_ln(fit));
    }
    return lag_s(source, fit) * t90_over_tau(source);
}

void Trend::settle(std::int64_t now_ms) {
    if (waited(steps_, now_ms)) {
        close(steps_);
    }
    if (waited(declines_, now_ms)) {
        close(declines_);
    }
    if (waited(rises_, now_ms)) {
        close_rises();
    }
}

bool Trend::declines_tell(std::int64_t at_ms) const {
    return steps_batches_ == 0 && declines_heard_ >= enough_for_a_position &&
           at_ms - newest_other_ms_ < others_silent_ms;
}

// Their median, as of the others; what varies from one to the next is what the load does.
void Trend::close_rises() {
    auto const count = rises_.count;
    auto const at_ms = (rises_.first_ms + rises_.last_ms) / 2;
    std::array<double, 24> values{};
    double worst_s = 0.0;
    for (std::uint32_t i = 0; i < count; ++i) {
        values[i] = static_cast<double>(rises_.ln[i]);
        worst_s = std::max(worst_s, static_cast<double>(rises_.error[i]));
    }
    double const middle_s = estimate::median_inplace(std::span{values.data(), count});
    double const ln_to_20 = static_cast<double>(rises_.ln_to_20) / count;
    rises_.count = 0;
    // They stand beside other tests, which give the level; alone they could not tell the water from the
    // probe.
    if (!level_.started() || at_ms < level_ms_) {
        return;
    }
    level_.pass(static_cast<double>(at_ms - level_ms_) / day_ms);
    level_ms_ = at_ms;
    level_.take_rise(middle_s, std::hypot(worst_s, rise_model_error_s), ln_to_20,
                     at_ms - newest_other_ms_ > others_silent_ms);
}

std::optional<double> Trend::off_together(Batch const& batch, double scatter) {
    std::array<double, 24> errors{};
    std::copy_n(batch.error.begin(), batch.count, errors.begin());
    bool const few = batch.count < fewest_found;
    if (few || scatter > most_found_scatter ||
        estimate::median_inplace(std::span{errors.data(), batch.count}) > worst_found_error) {
        return std::nullopt;
    }
    return std::hypot(found_error, common_part * scatter);
}

void Trend::close(Batch& batch) {
    std::array<double, 24> values{};
    double information = 0.0;
    for (std::uint32_t i = 0; i < batch.count; ++i) {
        values[i] = static_cast<double>(batch.ln[i]);
        information += 1.0 / square(std::max(0.02, static_cast<double>(batch.error[i])));
    }
    std::span const kept{values.data(), batch.count};
    double const middle = estimate::median_inplace(kept);
    double const n = batch.count;
    double const scatter = batch.count < 3 ? 0.0 : estimate::mad_sigma_inplace(kept);
    // The scatter of the tests themselves outweighs what each of them believes of itself.
    double const unchecked = batch.count < 3 ? few_tests_error : 0.0;
    double const error = std::max({1.2533 * scatter / std::sqrt(n), 1.0 / std::sqrt(information), unchecked});
    bool const step = &batch == &steps_, of_found = found(batch);
    auto const together = of_found ? off_together(batch, scatter) : std::nullopt;
    if (of_found && !together) {
        batch.count = 0;
        return;
    }
    if (&batch == &declines_ && !of_found && std::exchange(unsure_declines_, 0U) > most_unsure * n) {
        batch.count = 0;
        return;
    }
    found_error_ = together.value_or(0.0);
    newest_ms_ = of_found ? std::max(newest_ms_, batch.last_ms) : newest_ms_;
    double const water = step ? model_error : std::hypot(decline_model_error, found_error_);
    Measured const measured{middle, std::hypot(error, water), static_cast<double>(batch.ln_to_20) / n};
    auto const at_ms = (batch.first_ms + batch.last_ms) / 2;
    tests_ += batch.count;
    ++batches_;
    batch.count = 0;

    if (level_ms_ != 0 && at_ms > level_ms_) {
        level_.pass(static_cast<double>(at_ms - level_ms_) / day_ms);
    }
    level_ms_ = std::max(level_ms_, at_ms);
    steps_batches_ += step ? 1U : 0U;
    follow_jump(step       ? level_.take_step(measured)
                : of_found ? level_.take_lag(measured)
                           : level_.take_decline(measured));
    learn_offset();
    hear_offset();
    learn_fresh(at_ms);
}

// What a decline tells beside a step hangs on the kind of response, of which more comes to be known.
void Trend::learn_offset() {
    constexpr double much_better = 0.6;
    auto const more = if_membrane(lag_over_level(), membrane_probability_);
    double const error = std::hypot(more.error, lag_model_error);
    if (level_.steps_seen() && error < much_better * offset_told_) {
        level_.expect_offset(more.ln, error);
        offset_told_ = error;
        offset_told_ln_ = more.ln;
    }
}

// Declines tell the mean lag, steps the tail. By how much the one exceeds the other tells the kind, as far as
// the readings show it: without what was expected of it beforehand.
void Trend::hear_offset() {
    constexpr double least_news = 0.5;  // over what was expected
    auto const now = level_.offset_seen();
    double const told = 1.0 / square(offset_told_), seen = 1.0 / square(now.error) - told;
    if (offset_told_ln_ == 0.0 || seen < least_news * told) {
        return;
    }
    double const ln = (now.ln / square(now.error) - told * offset_told_ln_) / seen;
    double const more = lag_over_level();
    double const evidence = more / (1.0 / seen + square(lag_model_error)) * (ln - 0.5 * more);
    offset_evidence_ = std::clamp(evidence, -most_offset_evidence, most_offset_evidence);
    tell_kind();
}

std::optional<Level::Delay> Trend::aerator() const {
    if (steps_batches_ < few_steps || batches_ < steps_batches_ + few_steps) {
        return std::nullopt;
    }
    auto const more = if_membrane(lag_over_level(), probability_of(kind_evidence()));
    // A film or the output's damping, which its blasts hardly show, would pass for the aerator's.
    return level_.delay_beside(more.ln, std::hypot(more.error, lag_model_error));
}

// Only what is much better than what has been told already: it is the same news.
void Trend::heard_delay(Level::Delay const& told) {
    constexpr double much_better = 0.6;
    double const error_s = std::hypot(told.error_s, apart_delay_error_s);
    if (steps_batches_ == 0 && level_.started() && error_s < much_better * delay_told_) {
        level_.expect_delay(told.s, error_s);
        delay_told_ = error_s;
    }
}

// Twice far off the same way: the level has stepped, and the tests are right.
void Trend::follow_jump(double surprise) {
    if (batches_ > 3 && std::abs(surprise) > 3.0 && surprise * last_surprise_ > 9.0) {
        level_.may_have_jumped(0.3);
        last_surprise_ = 0.0;
    } else {
        last_surprise_ = std::abs(surprise) > 3.0 ? surprise : 0.0;
    }
}

void Trend::learn_fresh(std::int64_t now_ms) {
    double const age_days = static_cast<double>(now_ms - life_ms_) / day_ms;
    bool const nominal_known = nominal_s_ > 0.0;
    if (nominal_known && !life_known_ && !fresh_known_ && steps_batches_ == 3 && nominal_evidence_ == 0.0) {
        compare_with_nominal(std::log(nominal_s_) + used_slower, used_error);
    }
    if (nominal_known && !life_known_ && !fresh_known_ && steps_batches_ == 0 && batches_ == 3) {
        learn_delay(used_slower, used_error);
    }
    if (life_known_ && !fresh_known_ && age_days > settled_days && tests_ >= fewest_fresh_tests) {
        fresh_known_ = age_days < fresh_days;
        life_known_ = fresh_known_;
        if (fresh_known_ && nominal_known) {
            steps_batches_ > 0 ? compare_with_nominal(std::log(nominal_s_), nominal_error)
                               : learn_delay(0.0, nominal_error);
        }
        level_.is_fresh();
    } else if (fresh_known_ && age_days < refined_days) {
        level_.is_fresh();
    }
}

// A fresh probe that is later than it should be owes that to the aerator.
void Trend::learn_delay(double slower, double error) {
    auto const over_lag = t90_over_lag();
    level_.expect(std::log(nominal_s_) - over_lag.ln + slower,
                  std::hypot(error, decline_error, over_lag.error));
}

void Trend::new_life(std::int64_t now_ms, bool fresh) {
    level_.restart();
    level_ms_ = 0;
    steps_.count = declines_.count = rises_.count = 0;
    tests_ = batches_ = 0;
    unsure_declines_ = 0;
    newest_ms_ = 0;
    last_surprise_ = 0.0;
    life_ms_ = now_ms;
    life_known_ = fresh;
    fresh_known_ = false;
}

Trend::Taken Trend::take_along() const {
    auto const by = scale();
    return {life_ms_, level_.fresh_ln_tau() + by.ln, level_.fresh_variance() + square(by.error), life_known_,
            fresh_known_};
}

void Trend::bring(Taken const& taken) {
    life_ms_ = taken.life_ms;
    life_known_ = taken.life_known;
    fresh_known_ = taken.fresh_known;
    if (fresh_known_) {
        level_.was_fresh_at(taken.fresh_ln_t90 - scale().ln, taken.fresh_variance);
    }
}

// The level is ln of the time constant of a first-order response, or of the mean lag where there are declines
// only; what makes it T90 is the model, as far as it is known.
Trend::LnKnown Trend::scale() const {
    return t90_over(steps_batches_ > 0 ? membrane_ln_ : membrane_mean_ln);
}

Trend::LnKnown Trend::t90_over_lag() const {
    return t90_over(membrane_mean_ln);
}

Trend::LnKnown Trend::t90_over(double membrane_ln) const {
    auto const more = if_membrane(membrane_ln, membrane_probability());
    return {std::log(ln10) + more.ln, more.error};
}

Trend::LnKnown Trend::if_membrane(double ln, double probability) {
    return {probability * ln, std::abs(ln) * std::sqrt(probability * (1.0 - probability))};
}

std::optional<Trend::LnKnown> Trend::lag(std::int64_t at_ms) const {
    if (batches_ == 0) {
        return std::nullopt;
    }
    auto const now = level_.ahead(days_ahead(at_ms));
    bool const of_declines = steps_batches_ == 0;  // their level is the mean lag
    auto const over_tail = if_membrane(of_declines ? 0.0 : lag_over_level(), probability_of(kind_evidence()));
    return LnKnown{now.ln_tau + over_tail.ln,
                   std::sqrt(square(now.error) + square(model_error) + square(over_tail.error) +
                             square(of_declines ? decline_error : 0.0) + square(found_error_) +
                             square(temperature_error_))};
}

std::optional<double> Trend::fresh_ln() const {
    return fresh_known_ ? std::optional{level_.fresh_ln_tau() + scale().ln} : std::nullopt;
}

double Trend::days_since(std::int64_t at_ms) const {
    return std::max(static_cast<double>(at_ms - level_ms_) / day_ms, 0.0);
}

double Trend::days_ahead(std::int64_t at_ms) const {
    return std::min(days_since(at_ms), found_error_ > 0.0 ? found_ahead_days : longest_ahead_days);
}

std::optional<Trend::LnKnown> Trend::response(std::int64_t at_ms) const {
    if (batches_ == 0) {
        return std::nullopt;
    }
    auto const now = level_.ahead(days_ahead(at_ms));
    auto const by = scale();
    double const of_flush = flush_error_s / std::exp(now.ln_tau + by.ln);
    double const of_tests =
        steps_batches_ > 0 ? std::hypot(ends_found_part_ * ends_found_error, of_flush) : decline_error;
    return LnKnown{
        now.ln_tau + by.ln,
        std::sqrt(square(now.error) + square(model_error) + square(definition_error) + square(by.error) +
                  square(of_tests) + square(found_error_) + square(temperature_error_))};
}

std::optional<LevelKnown> Trend::known(std::int64_t at_ms) const {
    auto const now = response(at_ms);
    if (!now) {
        return std::nullopt;
    }
    LevelKnown known;
    known.ln_t90 = now->ln;
    double const ahead = level_.ahead(days_ahead(at_ms)).error,
                 silent = level_.ahead(days_since(at_ms)).error;
    known.error = std::sqrt(square(now->error) + square(silent) - square(ahead));
    known.change_error = std::hypot(level_.change_error(days_since(at_ms)), model_error,
                                    temperature_error_ * no_temperature_change / no_temperature_error);
    known.slope_per_day = level_.slope_per_day();
    known.slope_error = level_.slope_error();
    return known;
}

}  // namespace probekeeper::diagnosis
