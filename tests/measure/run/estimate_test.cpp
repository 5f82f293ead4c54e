#include "measure/run/estimate.hpp"

#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

using namespace nightwatt;

namespace {

const double not_a_number = std::numeric_limits<double>::quiet_NaN();

}  // namespace

TEST_CASE("typical energy consumption by the published weightings") {
  // Formula and weightings: Commission Decision (EU) 2015/1402; powers invented, results recomputed.
  const ModePowers desktop = {{0.8, 0}, {2.0, 0}, {38, 0}, {42, 0}};
  const ModePowers notebook = {{0.3, 0}, {0.9, 0}, {4.0, 0}, {7.5, 0}};
  const std::array<double, 5> desktop_kwh = {182.7336, 166.7904, 158.0304, 148.7448, 136.3056};
  const std::array<double, 5> notebook_kwh = {26.6304, 24.9310, 24.0812, 23.2315, 22.3818};
  for (std::size_t i = 0; i < 5; ++i) {
    const auto ability = static_cast<NetworkAbility>(i);
    CHECK(typical_consumption_kwh(desktop, published_shares(ComputerForm::desktop, ability))->value ==
          Approx(desktop_kwh[i]).margin(5e-5));
    CHECK(typical_consumption_kwh(notebook, published_shares(ComputerForm::notebook, ability))->value ==
          Approx(notebook_kwh[i]).margin(5e-5));
    const ModeShares shares = published_shares(ComputerForm::desktop, ability);
    CHECK(shares.off + shares.sleep + shares.long_idle + shares.short_idle == Approx(1.0));
  }
}

TEST_CASE("the older form of three modes") {
  // EU 617/2013 weightings (from memory), formula confirmed; results recomputed.
  CHECK(typical_consumption_kwh({0.8, 0}, {2.0, 0}, {42, 0}, 0.55, 0.05, 0.40)->value == Approx(151.8984));
  CHECK(typical_consumption_kwh({0.3, 0}, {0.9, 0}, {7.5, 0}, 0.60, 0.10, 0.30)->value == Approx(22.0752));
}

TEST_CASE("a year's energy and what it costs") {
  // Recomputed: 42 W, 8760 h, 0.30 a kWh: 367.92 kWh, 110.376.
  const std::array<StateHours, 1> always = {{{{42.0, 0.42}, 8760.0}}};
  const Figure energy = *yearly_energy_kwh(always);
  CHECK(energy.value == Approx(367.92));
  CHECK(energy.uncertainty == Approx(3.6792));
  const Figure cost = *priced(energy, {0.30, 0.02});
  CHECK(cost.value == Approx(110.376));
  CHECK(cost.uncertainty == Approx(110.376 * std::hypot(0.01, 0.02)));
}

TEST_CASE("hours, tariffs and shares that cannot be are refused in one line") {
  const auto refused = [](const auto& result) {
    REQUIRE_FALSE(result.has_value());
    CHECK(result.error().kind == ErrorKind::input);
    CHECK(result.error().message.find('\n') == std::string::npos);
  };
  for (const double hours : {-1.0, not_a_number, 9000.0}) {
    const std::array<StateHours, 1> states = {{{{42.0, 0.0}, hours}}};
    refused(yearly_energy_kwh(states));
  }
  refused(priced({1.0, 0.0}, {-0.3, 0.0}));
  refused(priced({1.0, 0.0}, {not_a_number, 0.0}));
  refused(typical_consumption_kwh({{-1, 0}, {}, {}, {}}, {0.25, 0.25, 0.25, 0.25}));
  refused(typical_consumption_kwh({}, {0.5, 0.5, 0.5, 0.0}));
  refused(behind_efficiency(45.0, 1.1));
  refused(behind_efficiency(45.0, 0.0));
  refused(behind_internal_supply(45.0, SupplyGrade::gold, 0.0));
  refused(external_supply_efficiency(-5.0, false));
  refused(battery_hours(1200, 0.5, 1.2, 45));
  refused(battery_hours(1200, 0.5, 0.9, 0));
  BatteryNeed need;
  need.hours = -1.0;
  refused(battery_size(need));
  need.hours = 8.0;
  need.temperature_factor = 0.5;
  refused(battery_size(need));
}

TEST_CASE("efficiency of internal supplies: the published loads, straight lines between, marked below them") {
  // 115 V internal: gold 87 / 90 / 87 % at 20 / 50 / 100 %; 35 % of 500 W by straight line 0.885, 175 W takes 197.740
  // W.
  CHECK(internal_supply_efficiency(SupplyGrade::gold, 0.2).value == Approx(0.87));
  CHECK(internal_supply_efficiency(SupplyGrade::gold, 0.5).value == Approx(0.90));
  CHECK(internal_supply_efficiency(SupplyGrade::gold, 1.0).value == Approx(0.87));
  CHECK(internal_supply_efficiency(SupplyGrade::gold, 0.35).value == Approx(0.885));
  CHECK(behind_internal_supply(197.740, SupplyGrade::gold, 500.0)->power_w == Approx(175.0).margin(1e-3));
  CHECK(behind_internal_supply(197.740, SupplyGrade::gold, 500.0)->lower_bound);
  CHECK_FALSE(behind_internal_supply(197.740, SupplyGrade::gold, 500.0)->extrapolated);
  CHECK(behind_internal_supply(40.0, SupplyGrade::gold, 500.0)->extrapolated);
  CHECK(internal_supply_efficiency(SupplyGrade::titanium, 0.1).value == Approx(0.90));
  CHECK_FALSE(internal_supply_efficiency(SupplyGrade::titanium, 0.1).extrapolated);
  CHECK(supply_grade("gold") == SupplyGrade::gold);
  CHECK_FALSE(supply_grade("wood").has_value());
}

TEST_CASE("least efficiencies of internal supplies are the published ones at every load") {
  // 115 V internal supplies, non-redundant, 20 / 50 / 100 % of the rated output.
  const std::array<std::array<double, 3>, 6> published = {
      {{80, 80, 80}, {82, 85, 82}, {85, 88, 85}, {87, 90, 87}, {90, 92, 89}, {92, 94, 90}}};
  const std::array<SupplyGrade, 6> grades = {SupplyGrade::basic, SupplyGrade::bronze,   SupplyGrade::silver,
                                             SupplyGrade::gold,  SupplyGrade::platinum, SupplyGrade::titanium};
  const std::array<double, 3> loads = {0.2, 0.5, 1.0};
  for (std::size_t g = 0; g < grades.size(); ++g)
    for (std::size_t l = 0; l < loads.size(); ++l) {
      CAPTURE(g, loads[l]);
      CHECK(internal_supply_efficiency(grades[g], loads[l]).value == Approx(published[g][l] / 100.0));
    }
}

TEST_CASE("the published weightings are those of the tables") {
  // Commission Decision (EU) 2015/1402, tables 3 and 4: off, sleep, long idle, short idle in per cent.
  const std::array<std::array<double, 4>, 5> desktop = {
      {{45, 5, 15, 35}, {40, 15, 12, 33}, {30, 28, 10, 32}, {25, 36, 8, 31}, {20, 45, 5, 30}}};
  const std::array<std::array<double, 4>, 5> notebook = {
      {{25, 35, 10, 30}, {25, 39, 8, 28}, {25, 41, 7, 27}, {25, 43, 6, 26}, {25, 45, 5, 25}}};
  for (const ComputerForm form : {ComputerForm::desktop, ComputerForm::notebook})
    for (std::size_t i = 0; i < 5; ++i) {
      const auto& row = form == ComputerForm::desktop ? desktop[i] : notebook[i];
      const ModeShares shares = published_shares(form, static_cast<NetworkAbility>(i));
      CHECK(shares.off == Approx(row[0] / 100.0));
      CHECK(shares.sleep == Approx(row[1] / 100.0));
      CHECK(shares.long_idle == Approx(row[2] / 100.0));
      CHECK(shares.short_idle == Approx(row[3] / 100.0));
    }
}

TEST_CASE("efficiency of external supplies by level VI, basic and low voltage") {
  // Formulas: EU 2019/1782 annex II; values recomputed.
  const std::array<std::array<double, 3>, 10> table = {{{0.5, .410000, .345500},
                                                        {1, .660000, .604000},
                                                        {5, .777270, .736227},
                                                        {10, .819484, .787036},
                                                        {12, .829628, .799441},
                                                        {24, .862042, .840450},
                                                        {45, .877273, .863476},
                                                        {49, .877719, .864978},
                                                        {65, .88, .87},
                                                        {330, .875, .875}}};
  for (const auto& [nameplate, basic, low] : table) {
    CAPTURE(nameplate);
    CHECK(*external_supply_efficiency(nameplate, false) == Approx(basic).margin(5e-7));
    CHECK(*external_supply_efficiency(nameplate, true) == Approx(low).margin(5e-7));
  }
  CHECK(*external_supply_efficiency(49.001, false) == Approx(0.88));  // the table steps just above the formula
  CHECK(behind_external_supply(20.0, 24.0, false)->power_w == Approx(20.0 * 0.862042).epsilon(1e-6));
  CHECK(behind_external_supply(5.0, 24.0, false)->extrapolated);
}

TEST_CASE("battery sizes of the worked examples") {
  // 1000 Wh a day, 2.5 days, half discharged, 40 F: 6500 Wh, 541.67 Ah at 12 V (a supplier's simplified method).
  BatteryNeed need;
  need.power_w = 1000.0 / 24.0;
  need.hours = 60.0;
  need.depth_of_discharge = 0.5;
  need.efficiency = 1.0;
  need.temperature_factor = temperature_factor((40.0 - 32.0) / 1.8);
  need.voltage_v = 12.0;
  CHECK(need.temperature_factor == Approx(1.30));
  CHECK(battery_size(need)->energy_wh == Approx(6500.0));
  CHECK(*battery_size(need)->charge_ah == Approx(541.67).margin(5e-3));
  // 45 W, 8 h, 80 % discharged, 0.9: 500 Wh; 12 V 100 Ah, half discharged, 0.85, 45 W: 11.333 h (recomputed).
  BatteryNeed lithium;
  lithium.power_w = 45.0;
  lithium.hours = 8.0;
  lithium.depth_of_discharge = 0.8;
  lithium.efficiency = 0.9;
  CHECK(battery_size(lithium)->energy_wh == Approx(500.0));
  CHECK_FALSE(battery_size(lithium)->charge_ah.has_value());
  lithium.ageing = 0.2;
  CHECK(battery_size(lithium)->energy_wh == Approx(625.0));
  CHECK(*battery_hours(1200.0, 0.5, 0.85, 45.0) == Approx(11.333).margin(5e-4));
}

TEST_CASE("the cold factor follows the published points and stays flat beyond them") {
  // Fahrenheit and factor, as a supplier publishes them for lead-acid.
  const std::array<std::array<double, 2>, 7> published = {
      {{80, 1.00}, {70, 1.04}, {60, 1.11}, {50, 1.19}, {40, 1.30}, {30, 1.40}, {20, 1.59}}};
  for (const auto& [fahrenheit, factor] : published) {
    CAPTURE(fahrenheit);
    CHECK(temperature_factor((fahrenheit - 32.0) / 1.8) == Approx(factor).epsilon(1e-9));
  }
  CHECK(temperature_factor(26.67) == Approx(1.0).margin(1e-3));
  CHECK(temperature_factor(40.0) == 1.0);
  CHECK(temperature_factor(-6.667) == Approx(1.59).margin(1e-3));
  CHECK(temperature_factor(-30.0) == 1.59);
}
