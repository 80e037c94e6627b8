#include "faults.h"

#include <algorithm>
#include <cmath>

namespace probekeeper::backtest {
namespace {

using physics::Growth;
using physics::Random;
using physics::WaterKind;

// What a fault needs to be laid and told.
struct Scene {
    FleetPlan& fleet;
    ProbePlan& probe;
    TankPlan& tank;
    SitePlan const& site;
    double day;  // on which the limit shall be passed
    Random& random;
    physics::Ageing& ageing() { return probe.lives.back().ageing; }
    // What only the reading in air tells, no output shows that is frozen while the probe is cleaned, or that
    // gives mg/L of a water whose temperature, and so saturation, it does not give. And of a blast that no
    // bit declares and one reading or two fall into, nobody knows the length, and with it how far the reading
    // was from air.
    [[nodiscard]] double shown_in_blasts(double on_day) const {
        bool const saturation_known = probe.gives_temperature || fleet.in_percent;
        bool const length_known =
            !probe.cleaner || probe.gives_cleaning || probe.truth.poll_s < 0.5 * probe.cleaner->blast_s;
        bool const shown = saturation_known && length_known && !probe.transmitter.freezes_while_cleaning;
        return shown ? on_day : fleet.days + 1.0;
    }
    void tell(std::string kind, std::vector<std::string> named_by, std::vector<std::string> also_true,
              double crossing_day, double visible_day, SeenIn seen_in = SeenIn::readings) {
        probe.truth.faults.push_back({.kind = std::move(kind),
                                      .named_by = std::move(named_by),
                                      .also_true = std::move(also_true),
                                      .crossing = at_day(fleet, crossing_day),
                                      .visible = at_day(fleet, visible_day),
                                      .seen_in = seen_in});
    }
};

bool goes_anoxic(WaterKind kind, physics::TankSettings const& tank) {
    return kind == WaterKind::intermittent || (kind == WaterKind::continuous && tank.pauses);
}

// A growth within this membrane's life that is 1 on `day`, and goes on to `most`.
Growth growth_until(Scene& s, double day, double shortest_days, double most) {
    double const born = s.probe.lives.back().from_day;
    double const latest_start = std::max(0.0, day - born - shortest_days);
    double const from = s.random.uniform(0.0, std::min(latest_start, 0.4 * (day - born)));
    return {.from_day = from,
            .over_days = day - born - from,
            .power = s.random.chance(0.5) ? 1.0 : s.random.uniform(1.2, 2.0),
            .most = most};
}

// The first day on which T90 passes `limit_s`, to an hour; the end of the run where it never does.
double day_slower_than(ProbePlan const& probe, double limit_s, double from_day, double last_day) {
    double low = from_day;
    while (low < last_day && true_t90_20_s(probe, low) < limit_s) {
        low += 0.25;
    }
    double high = low;
    low -= 0.25;
    while (high - low > 1.0 / 24.0) {
        double const middle = 0.5 * (low + high);
        (true_t90_20_s(probe, middle) < limit_s ? low : high) = middle;
    }
    return high;
}

void tell_slow(Scene& s, std::string kind) {
    double const ratio = s.probe.truth.t90_limit_ratio;
    double const start = std::max(0.0, s.probe.lives.back().from_day);
    double const last = s.fleet.days + 60.0;
    double const crossing = day_slower_than(s.probe, ratio * s.probe.truth.fresh_t90_20_s, start, last);
    // Where no new membrane was seen in the run, nobody can know better than the configured value: between
    // the day on which T90 passes the limit by the one and by the other, to say it and not to say it are
    // right.
    double const by_configured = day_slower_than(s.probe, ratio * s.probe.configured_t90_s, start, last);
    bool const learned = s.probe.lives.size() > 1;
    // Where neither a bit nor a blast tests it, to ask for a check of a probe that is slow is right.
    bool const told = s.probe.cleaner || s.site.gives_aeration || s.site.gives_airflow;
    std::vector<std::string> also_true;
    if (!told) {
        also_true.emplace_back("verification_due");
    }
    s.tell(std::move(kind), {"slow_response"}, also_true,
           learned ? crossing : std::min(crossing, by_configured),
           learned ? crossing : std::max(crossing, by_configured), SeenIn::tests);
}

// The amount at which T90 reaches its limit on the scene's day. By bisection: what lags in series, the
// damping included, add up to has no closed form.
void raise_to_limit(Scene& s, double& amount, double most) {
    double const limit_s = s.probe.truth.t90_limit_ratio * s.probe.truth.fresh_t90_20_s;
    double low = 0.0;
    double high = most;
    while (high - low > 1e-4 * most) {
        amount = 0.5 * (low + high);
        (true_t90_20_s(s.probe, s.day) < limit_s ? low : high) = amount;
    }
}

void coating(Scene& s) {
    s.ageing().coating_growth = growth_until(s, s.day, 9.0, 2.2);
    raise_to_limit(s, s.ageing().coating, 5.0);
    tell_slow(s, "coating");
}

void film(Scene& s) {
    s.ageing().coating = 0.0;
    s.ageing().film_growth = growth_until(s, s.day, 6.0, 2.0);
    raise_to_limit(s, s.ageing().film_t90_s, 600.0);
    tell_slow(s, "film");
}

// The first day, to an hour, on which an output of this resolution can read the background above its limit: a
// quiet reading stays on one of its steps until it is nearer to the next.
double day_read_above(Scene const& s, double limit) {
    auto const& life = s.probe.lives.back();
    double const step = s.probe.transmitter.resolution_mg_l;
    bool const quiet = s.probe.probe.own_noise_mg_l < 0.5 * step;
    double const shown_from = limit + (quiet ? 0.5 * step : 0.0);
    double day = s.day;
    while (day < s.fleet.days && life.ageing.wear_at(day - life.from_day).background_mg_l < shown_from) {
        day += 1.0 / 24.0;
    }
    return day;
}

// The first dry zero that is written down as above the limit, to a hundredth; after the run where there is
// none.
double day_found_above(Scene const& s, double limit) {
    auto const& life = s.probe.lives.back();
    auto const tells = [&](Visit const& v) {
        double const zero = life.ageing.wear_at(v.day - life.from_day).background_mg_l;
        return v.kind == VisitKind::dry_zero && v.day > s.day + 0.5 && zero >= limit + 0.005;
    };
    auto const first = std::find_if(s.probe.visits.begin(), s.probe.visits.end(), tells);
    return first != s.probe.visits.end() ? first->day : s.fleet.days + 1.0;
}

void background(Scene& s) {
    bool const in_water = goes_anoxic(s.tank.settings.kind, s.tank.settings);
    double const limit = in_water ? 0.2 : 0.1;
    auto& ageing = s.ageing();
    ageing.background_growth = growth_until(s, s.day, 6.0, s.random.uniform(2.0, 4.0));
    ageing.background_mg_l = limit - ageing.background_fresh_mg_l;
    double visible = day_read_above(s, limit);
    if (in_water) {
        // An anoxic floor is what shows it: make sure that this tank reaches one.
        s.tank.settings.off_min = std::max(s.tank.settings.off_min, 35.0);
        s.tank.settings.kla_idle_per_h = std::min(s.tank.settings.kla_idle_per_h, 0.03);
    } else {
        double const every = s.random.uniform(6.0, 9.0);
        double check = s.random.uniform(2.0, every);
        for (; check < s.fleet.days - 1.0; check += every) {
            s.probe.visits.push_back({check, VisitKind::dry_zero});
        }
        visible = day_found_above(s, limit);
    }
    // In mg/L a background of 0.2 and more is also an error of the reading against a reference.
    s.tell("background", {"background"}, {"reference_disagreement"}, s.day, visible,
           in_water ? SeenIn::floors : SeenIn::zeros);
}

// The transmitter as its output is rounded in the readings: where these are in percent, to a tenth of one.
physics::TransmitterSettings as_given(FleetPlan const& fleet, ProbePlan const& plan) {
    auto transmitter = plan.transmitter;
    constexpr double tenth_of_a_percent_mg_l = 0.009;  // of a saturation of 9 mg/L
    transmitter.resolution_mg_l = fleet.in_percent ? tenth_of_a_percent_mg_l : transmitter.resolution_mg_l;
    return transmitter;
}

// How much a probe's readings move within half a minute, with so much wrinkle: a high quantile of second
// differences over the tank's second day, which edges of the air hardly enter. Without oxygen no wrinkle
// moves anything, and a tank that is without it most of the time would hide one of any size: that does not
// count. Rounding comes in as the scatter that it adds: of rounded readings the quantile itself is a whole
// number of steps, and luck would decide whether the limit is three steps or six.
double movement_mg_l(ProbePlan const& plan, TankPlan const& tank, physics::TransmitterSettings const& given,
                     double wrinkle) {
    constexpr double step_s = 2.5;
    constexpr double least_mg_l = 0.5;
    auto unrounded = given;
    unrounded.resolution_mg_l = 0.0;
    physics::Tank water{tank.settings, Random{tank.seed}};
    physics::Probe probe{plan.probe, Random{plan.seed}};
    physics::Transmitter transmitter{unrounded, Random{plan.seed + 1}};
    probe.wear().wrinkle = wrinkle;
    auto const every = static_cast<std::size_t>(std::max(15.0, plan.truth.poll_s) / step_s);
    std::vector<double> shown;
    for (std::size_t i = 0; i < 2 * 34'560; ++i) {
        water.step(step_s);
        probe.step(step_s, water.state());
        transmitter.step(step_s, probe.reading_mg_l(), /*cleaning=*/false);
        if (i >= 34'560 && i % every == 0) {
            shown.push_back(transmitter.shown_mg_l());
        }
    }
    std::vector<double> moves;
    for (std::size_t i = 2; i < shown.size(); ++i) {
        if (std::min({shown[i], shown[i - 1], shown[i - 2]}) > least_mg_l) {
            moves.push_back(std::abs(shown[i] - 2.0 * shown[i - 1] + shown[i - 2]));
        }
    }
    double const rounding = 0.7 * given.resolution_mg_l;
    if (moves.empty()) {
        return rounding;
    }
    auto const middle = moves.begin() + static_cast<std::ptrdiff_t>(moves.size() * 7 / 10);
    std::nth_element(moves.begin(), middle, moves.end());
    return std::hypot(*middle, rounding);
}

double usual_do_mg_l(WaterKind kind) {
    switch (kind) {
        case WaterKind::intermittent:
            return 2.5;
        case WaterKind::continuous:
            return 2.0;
        case WaterKind::fish:
            return 7.5;
        case WaterKind::pond:
            return 8.0;
    }
    return 5.0;
}

void wrinkling(Scene& s) {
    auto const given = as_given(s.fleet, s.probe);
    double const limit = 3.0 * movement_mg_l(s.probe, s.tank, given, 0.0);
    double low = 0.0;
    double high = 0.3;
    while (high - low > 2e-4) {
        double const middle = 0.5 * (low + high);
        (movement_mg_l(s.probe, s.tank, given, middle) < limit ? low : high) = middle;
    }
    s.ageing().wrinkle = high;
    double const born = s.probe.lives.back().from_day;
    double const over = s.random.uniform(2.0, 5.0);
    s.ageing().wrinkle_growth = {
        .from_day = s.day - born - over, .over_days = over, .power = 1.0, .most = s.random.uniform(2.5, 4.5)};
    s.tell("wrinkling", {"fluctuation"}, {}, s.day, s.day);
}

void span_drift(Scene& s) {
    double const limit = s.site.gives_pressure ? 0.05 : 0.08;
    auto& ageing = s.ageing();
    double const sign = s.random.chance(0.5) ? 1.0 : -1.0;
    ageing.span_growth = growth_until(s, s.day, 6.0, s.random.uniform(2.2, 3.5));
    ageing.span = sign * limit;
    if (s.probe.cleaner) {
        // Long blasts come near enough to a settled reading in air to tell a few per cent.
        s.probe.cleaner->blast_s = 60.0;
        s.probe.cleaner->every_h = std::min(s.probe.cleaner->every_h, 8.0);
        s.tell("span_drift", {"span_error"}, {"reference_disagreement"}, s.day, s.shown_in_blasts(s.day),
               SeenIn::tests);
        return;
    }
    // A reference check tells 10 %, or 0.3 mg/L where that is more: the drift goes well beyond.
    double const tells = std::max(0.1, 0.3 / usual_do_mg_l(s.tank.settings.kind));
    ageing.span = sign * tells;
    double const every = s.random.uniform(3.0, 6.0);
    std::optional<double> visible;
    for (double check = s.random.uniform(1.0, every); check < s.fleet.days - 0.5; check += every) {
        s.probe.visits.push_back({check, VisitKind::reference_check});
        double const error =
            std::abs(ageing.span) * ageing.span_growth.at(check - s.probe.lives.back().from_day);
        if (!visible && error > 1.3 * tells) {
            visible = check;
        }
    }
    s.tell("span_drift", {"reference_disagreement", "span_error"}, {"background"}, s.day,
           visible.value_or(s.fleet.days + 1.0));
}

void pierced(Scene& s) {
    auto& ageing = s.ageing();
    ageing.pierced_on_day = s.day - s.probe.lives.back().from_day;
    ageing.pierced_span = s.random.uniform(0.3, 0.9);
    ageing.pierced_wrinkle = s.random.uniform(0.02, 0.06);
    ageing.pierced_background_mg_l = s.random.uniform(0.2, 0.8);
    s.tell("pierced", {"membrane_damage"},
           {"fluctuation", "span_error", "background", "reference_disagreement"}, s.day, s.day);
}

void dry(Scene& s) {
    s.ageing().dry_on_day = s.day - s.probe.lives.back().from_day;
    s.tell("dry", {"no_signal"}, {"cleaning_failed", "span_error"}, s.day, s.day);
}

void stuck(Scene& s) {
    s.ageing().stuck_on_day = s.day - s.probe.lives.back().from_day;
    s.tell("stuck", {"stuck"}, {"cleaning_failed"}, s.day, s.day);
}

void silence(Scene& s) {
    double const lasts = s.random.chance(0.5) ? s.fleet.days : s.random.uniform(1.0, 3.0);
    s.probe.silent = Span{s.day - 4.0 / 24.0, s.day + lasts};
    s.tell("silence", {"no_communication"}, {}, s.day, s.day);
}

void failed_cleaning(Scene& s) {
    double const born = s.probe.lives.back().from_day;
    double const over = s.random.uniform(1.0, 4.0);
    s.ageing().cleaning_lost = 0.5;
    s.ageing().cleaning_growth = {
        .from_day = s.day - born - over, .over_days = over, .power = 1.0, .most = 1.9};
    s.tell("failed_cleaning", {"cleaning_failed"}, {}, s.day, s.day, SeenIn::tests);
}

// A new membrane that was put on badly and calibrated too early: it stays away from 100 % in air.
void bad_service(Scene& s) {
    Life life{s.day, {}, s.random.uniform(0.95, 1.05)};
    life.ageing.background_fresh_mg_l = s.ageing().background_fresh_mg_l;
    life.ageing.span_growth = {.from_day = -1.0, .over_days = 1.0, .power = 1.0, .most = 1.0};
    life.ageing.span = s.random.uniform(0.15, 0.3) * (s.random.chance(0.5) ? 1.0 : -1.0);
    s.probe.lives.push_back(life);
    s.probe.visits.push_back({s.day, VisitKind::membrane_change});
    s.tell("bad_service", {"not_settled", "span_error"}, {"membrane_damage", "reference_disagreement"}, s.day,
           s.shown_in_blasts(s.day + 0.1));
}

void broken_thermistor(Scene& s) {
    s.probe.temperature_broken_on_day = s.day;
    s.tell("broken_thermistor", {"temperature_fault"}, {}, s.day, s.day);
}

struct Choice {
    double weight;
    void (*lay)(Scene&);
};

// What this probe's water and equipment can show at all, by how often it happens.
std::vector<Choice> choices(ProbePlan const& probe, TankPlan const& tank) {
    auto const kind = tank.settings.kind;
    bool const anoxic = goes_anoxic(kind, tank.settings);
    bool const has_edges = anoxic;
    std::vector<Choice> list{{1.2, wrinkling}, {0.8, pierced}, {0.8, dry}, {0.8, stuck}, {0.6, silence}};
    if (has_edges || probe.cleaner) {
        list.push_back({3.5, coating});
        list.push_back({1.0, film});
    }
    list.push_back({anoxic ? 1.6 : 0.6, background});
    list.push_back({0.7, span_drift});
    if (probe.cleaner) {
        list.push_back({0.8, failed_cleaning});
        list.push_back({0.4, bad_service});
    }
    if (probe.gives_temperature) {
        list.push_back({0.4, broken_thermistor});
    }
    return list;
}

}  // namespace

void give_fault(FleetPlan& fleet, ProbePlan& probe, double earliest_day, double latest_day, Random& random) {
    auto& tank = fleet.tanks[probe.tank];
    auto const list = choices(probe, tank);
    double total = 0.0;
    for (auto const& c : list) {
        total += c.weight;
    }
    double left = random.uniform(0.0, total);
    auto chosen = list.begin();
    while (left > chosen->weight && chosen + 1 != list.end()) {
        left -= chosen->weight;
        ++chosen;
    }
    Scene scene{fleet, probe, tank, fleet.sites[probe.site], random.uniform(earliest_day, latest_day),
                random};
    chosen->lay(scene);
}

void give_coming_coating(FleetPlan& fleet, ProbePlan& probe, Random& random) {
    Scene scene{fleet,
                probe,
                fleet.tanks[probe.tank],
                fleet.sites[probe.site],
                fleet.days + random.uniform(1.0, 13.0),
                random};
    coating(scene);
}

Life const& life_on(ProbePlan const& probe, double day) {
    auto const* life = &probe.lives.front();
    for (auto const& other : probe.lives) {
        if (other.from_day <= day) {
            life = &other;
        }
    }
    return *life;
}

double true_t90_20_s(ProbePlan const& plan, double day) {
    auto const& life = life_on(plan, day);
    physics::Probe probe{plan.probe, Random{0}};
    probe.change_membrane(life.fresh_factor, 1.0);
    probe.wear() = life.ageing.wear_at(day - life.from_day);
    return probe.t90_20_s(plan.transmitter.damping_s);
}

Timestamp at_day(FleetPlan const& fleet, double day) {
    return fleet.start + days(day);
}

}  // namespace probekeeper::backtest
