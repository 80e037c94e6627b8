#include "estimate/survival.h"

#include <catch2/catch.hpp>
#include <cmath>
#include <random>
#include <vector>

using namespace probekeeper::estimate;

namespace {

// NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3 "Reliability analysis using Weibull data":
// hours to failure of 10 units, and 10 that ran on at 500 hours.
std::vector<Life> handbook() {
    std::vector<Life> lives;
    for (double const hours : {54, 187, 216, 240, 244, 335, 361, 373, 375, 386}) {
        lives.push_back({hours, true});
    }
    lives.insert(lives.end(), 10, Life{500.0, false});
    return lives;
}

// Weeks in remission under 6-mercaptopurine, of Freireich et al. (1963), Blood 21(6):699-716, as in table 1.1
// of Klein and Moeschberger, Survival Analysis (2003). The figures expected below are those that published
// exercises print of R's package survival, summary(survfit(Surv(t2, relapse) ~ 1, data = drug6mp)), data of
// package KMsurv.
std::vector<Life> remissions() {
    std::vector<Life> lives;
    for (double const weeks : {6, 6, 6, 7, 10, 13, 16, 22, 23}) {
        lives.push_back({weeks, true});
    }
    for (double const weeks : {6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35}) {
        lives.push_back({weeks, false});
    }
    return lives;
}

}  // namespace

TEST_CASE("the Weibull fit gives the handbook's shape, scale, likelihood and mean", "[estimate][survival]") {
    auto const fit = fit_weibull(handbook());
    REQUIRE(fit);
    CHECK(fit->shape == Approx(1.7208).margin(5e-5));
    CHECK(fit->scale == Approx(606.5280).margin(5e-5));
    CHECK(fit->log_likelihood == Approx(-75.135).margin(5e-4));
    CHECK(fit->mean() == Approx(540.737).margin(2e-3));
}

TEST_CASE("the product-limit estimate gives the published table of the remissions", "[estimate][survival]") {
    auto const steps = kaplan_meier(remissions());
    struct Row {
        double length;
        int at_risk, ended;
        double survival, error;
    };
    std::vector<Row> const published{{6, 21, 3, 0.857, 0.0764},  {7, 17, 1, 0.807, 0.0869},
                                     {10, 15, 1, 0.753, 0.0963}, {13, 12, 1, 0.690, 0.1068},
                                     {16, 11, 1, 0.627, 0.1141}, {22, 7, 1, 0.538, 0.1282},
                                     {23, 6, 1, 0.448, 0.1346}};
    REQUIRE(steps.size() == published.size());
    for (std::size_t i = 0; i < steps.size(); ++i) {
        CAPTURE(published[i].length);
        CHECK(steps[i].length == published[i].length);
        CHECK(steps[i].at_risk == published[i].at_risk);
        CHECK(steps[i].ended == published[i].ended);
        CHECK(steps[i].survival == Approx(published[i].survival).margin(5e-4));
        CHECK(steps[i].error == Approx(published[i].error).margin(5e-5));
        CHECK(steps[i].low < steps[i].survival);
        CHECK(steps[i].survival < steps[i].high);
    }
    CHECK(median(steps) == 23.0);
}

TEST_CASE("with no censored life the product limit is the plain share that lasts", "[estimate][survival]") {
    std::vector<Life> const lives{{4.0, true}, {1.0, true}, {3.0, true}, {2.0, true}, {0.0, true}};
    auto const steps = kaplan_meier(lives);
    REQUIRE(steps.size() == 4);
    CHECK(steps[0].survival == Approx(0.75));
    CHECK(steps[3].survival == 0.0);
    CHECK(median(steps) == 2.0);
}

TEST_CASE("a median that nobody has lived to see is not known", "[estimate][survival]") {
    std::vector<Life> const lives{{1.0, true}, {5.0, false}, {5.0, false}};
    CHECK_FALSE(median(kaplan_meier(lives)));
    CHECK(kaplan_meier({}).empty());
}

TEST_CASE("lives that do not tell shape from scale are not fitted without a prior", "[estimate][survival]") {
    CHECK_FALSE(fit_weibull({}));
    CHECK_FALSE(fit_weibull(std::vector<Life>{{3.0, true}, {4.0, false}}));
    CHECK_FALSE(fit_weibull(std::vector<Life>{{3.0, true}, {3.0, true}, {9.0, false}}));
}

TEST_CASE("a prior stands where there are no lives, and gives way to many", "[estimate][survival]") {
    WeibullPrior const prior{std::log(2.0), 0.3, std::log(180.0), 0.5};
    auto const none = fit_weibull({}, prior);
    CHECK(none.shape == Approx(2.0));
    CHECK(none.scale == Approx(180.0));
    CHECK(none.ln_scale_error == Approx(0.5));

    std::vector<Life> many;
    for (int i = 0; i < 100; ++i) {
        auto const copy = handbook();
        many.insert(many.end(), copy.begin(), copy.end());
    }
    auto const fitted = fit_weibull(many, prior);
    CHECK(fitted.shape == Approx(1.7208).epsilon(0.01));
    CHECK(fitted.scale == Approx(606.5).epsilon(0.01));
    CHECK(fitted.ln_scale_error < 0.05);
}

TEST_CASE("the fit finds the distribution that lives were drawn from, within its own errors",
          "[estimate][survival]") {
    auto const seed = GENERATE(1U, 2U, 3U);
    auto const shape = GENERATE(0.7, 1.0, 3.5);
    CAPTURE(seed, shape);
    std::mt19937 engine{seed};
    std::weibull_distribution<double> draw{shape, 120.0};
    std::vector<Life> lives;
    for (int i = 0; i < 400; ++i) {
        double const length = draw(engine), seen = 20.0 + 200.0 * (i % 10) / 10.0;
        lives.push_back({std::min(length, seen), length <= seen});
    }
    auto const fit = fit_weibull(lives);
    REQUIRE(fit);
    CHECK(std::abs(std::log(fit->shape / shape)) < 4.0 * fit->ln_shape_error);
    CHECK(std::abs(std::log(fit->scale / 120.0)) < 4.0 * fit->ln_scale_error);
}

TEST_CASE("what is left of a life depends on its age as the shape says", "[estimate][survival]") {
    Weibull const memoryless{1.0, 100.0, 0.0, 0.0, 0.0}, wearing{3.0, 100.0, 0.0, 0.0, 0.0};
    CHECK(memoryless.ends_within(0.0, 30.0) == Approx(memoryless.ends_within(200.0, 30.0)));
    CHECK(wearing.ends_within(0.0, 30.0) < 0.1 * wearing.ends_within(90.0, 30.0));
    CHECK(wearing.survival(wearing.quantile(0.9)) == Approx(0.1));
}
