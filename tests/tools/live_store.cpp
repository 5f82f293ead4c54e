#include "live_store.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>

namespace nightwatt::test {

LiveStore::LiveStore() {
  std::string pattern = (std::filesystem::temp_directory_path() / "nightwatt-live-XXXXXX").string();
  REQUIRE(::mkdtemp(pattern.data()) != nullptr);
  folder_ = pattern;
  configure({});
}

LiveStore::~LiveStore() {
  std::error_code ignored;
  std::filesystem::remove_all(folder_, ignored);
}

std::string LiveStore::write(const std::string& name, const std::string& text) const {
  std::ofstream(path(name), std::ios::binary) << text;
  return path(name);
}

void LiveStore::record(const std::string& meter, UtcTime at, double power_w) {
  auto store = storage::StoreWriter::open(path("store.db"), {});
  REQUIRE(store);
  REQUIRE(store->begin());
  const auto stream = store->stream_for_meter(meter);
  REQUIRE(stream);
  Reading reading;
  reading.time = at;
  reading.values.set(Quantity::power, {static_cast<std::int64_t>(std::llround(power_w * 1000.0)), -3});
  const std::vector<Reading> readings = {reading};
  REQUIRE(store->apply(storage::AppendReadings{*stream, readings}));
  REQUIRE(store->commit());
}

void LiveStore::configure(const std::vector<std::string>& meters, const std::string& more) const {
  std::string text = "[store]\npath = \"store.db\"\n[control]\nsocket = \"control.sock\"\n";
  write("lines.toml", "protocol = \"text-line\"\n" + more +
                          "[text-line]\nform = \"csv\"\n[[read]]\nquantity = \"power\"\nfield = 1\n");
  for (const std::string& meter : meters)
    text += "[[meter]]\nname = \"" + meter + "\"\nport = \"/dev/none-" + meter + "\"\nprofile = \"lines.toml\"\n";
  write("nightwatt.toml", text);
}

LiveStore::Answer LiveStore::ask(std::vector<std::string> words) const {
  query::Environment environment;
  environment.now = [this] { return now; };
  return ask_in(std::move(words), environment);
}

LiveStore::Answer LiveStore::ask_and_wait(std::vector<std::string> words) {
  query::Environment environment;
  environment.now = [this] { return now; };
  environment.pass = [this](double seconds) { now = now + to_duration({seconds}); };
  return ask_in(std::move(words), environment);
}

LiveStore::Answer LiveStore::ask_in(std::vector<std::string> words, const query::Environment& environment) const {
  words.insert(words.begin(), {"--config", path("nightwatt.toml")});
  Answer answer;
  query::Sink out(answer.out), err(answer.err);
  answer.status = query::run_command(words, out, err, environment);
  return answer;
}

}  // namespace nightwatt::test
