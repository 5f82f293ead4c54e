#include "grammar.hpp"

#include <memory>
#include <utility>

#include "whole_file.hpp"

namespace nightwatt::query {
namespace {

/// Adds options of one word each to `sub`.
auto words_of(CLI::App* sub) {
  return [sub](const char* name, MaybeWord& into, const char* help, const char* type) {
    sub->add_option(name, into, help)->type_name(type);
  };
}

/// A parser to be filled; each command's words land in a struct of its own inside `line`.
struct Grammar {
  template <class Arguments>
  std::pair<CLI::App*, Arguments*> command(const std::string& name, const std::string& help) {
    CLI::App* sub = app.add_subcommand(name, help);
    auto words = std::make_shared<Arguments>();
    sub->parse_complete_callback([&into = line.command, words] { into = *words; });
    sub->footer("Also here: --store PATH, --config FILE, --json, --no-color, --quiet.");
    return {sub, words.get()};
  }

  CLI::App& app;
  CommandLine& line;
};

/// For what is checked, or added to, after it was written: that needs a file.
const CLI::Validator names_a_file(
    [](std::string& word) {
      return word == standard_output ? std::string("this cannot go to standard output; give the name of a file")
                                     : std::string();
    },
    "");

void run_word(CLI::App* sub, std::string& run) {
  sub->add_option("RUN", run, "A run's number, last, or the name of a device with one run")->required();
}

void followed(CLI::App* sub, bool& follow, MaybeWord& every) {
  sub->add_flag("--follow", follow,
                "Go on showing the last minutes and the level so far: a screen, or without a terminal a line a "
                "reading");
  sub->add_option("--every", every, "With --follow: look this often (1)")->type_name("SECONDS");
}

void described(CLI::App* sub, MaybeWord& note, MaybeWord& includes, Words& set) {
  sub->add_option("--note", note, "A note to the run")->type_name("T");
  sub->add_option("--includes", includes, "What was plugged in: adapter,display,keyboard")->type_name("LIST");
  sub->add_option("--set", set, "A condition it was measured under: battery=full, ambient_c=21 (may be repeated)")
      ->type_name("KEY=VALUE")
      ->allow_extra_args(false);
}

void add_globals(Grammar& grammar) {
  grammar.app.add_option("--store", grammar.line.options.store, "The store to ask, instead of the configured one")
      ->type_name("PATH");
  grammar.app
      .add_option("--config", grammar.line.options.config,
                  "The configuration to take the store and the service's socket from")
      ->type_name("FILE");
  grammar.app
      .add_option("--mirror", grammar.line.mirror,
                  "A mirror of many rigs to ask instead of a store: compare, runs, summary, report")
      ->type_name("CONNINFO");
  grammar.app.add_flag("--json", grammar.line.options.json, "Answer in JSON: UTC, full precision");
  grammar.app.add_flag("--no-color", grammar.line.options.no_color, "No colours, on a terminal too");
  grammar.app.add_flag("--quiet", grammar.line.options.quiet,
                       "The answer and errors alone: no notes, hints and progress beside them");
}

void add_live(Grammar& grammar) {
  auto [status, u] = grammar.command<StatusArguments>("status", "Service, meters, store size, faults");
  status
      ->add_option("--stale", u->stale,
                   "For cron: only name the meters whose last reading is older, and exit 1 if there is one")
      ->type_name("SECONDS");
  followed(status, u->follow, u->every);
  grammar.command<PortsArguments>("ports", "Serial ports present and which meter each serves");
  auto [begin, b] = grammar.command<BeginArguments>("begin", "Open a run: what is plugged in from now on");
  begin->add_option("DEVICE", b->device, "What is plugged into the meter")->required();
  begin->add_option("--meter", b->meter, "Which meter, where there are several")->type_name("M");
  described(begin, b->note, b->includes, b->set);
  begin->add_option("--at", b->at, "When it began, if not now")->type_name("TIME");
  auto [end, e] = grammar.command<EndArguments>("end", "Close the open run");
  end->add_option("--meter", e->meter, "Which meter, where there are several")->type_name("M");
  end->add_option("--at", e->at, "When it ended, if not now")->type_name("TIME");
}

void add_first_meter(Grammar& grammar) {
  auto [setup, s] = grammar.command<SetupArguments>(
      "setup", "The first meter: finds out what is on a port, and writes config and profile");
  const auto word = words_of(setup);
  word("--port", s->port, "The port; asked for where it is not given", "PATH");
  word("--profile", s->profile, "Ask with this profile alone", "P");
  word("--baud", s->baud, "Listen at this speed alone", "N");
  word("--form", s->form, "Take the lines as csv, key-value or json", "FORM");
  word("--checksum", s->checksum, "With --form: none or xor", "C");
  word("--field", s->field, "The field that is the power: a column from 1, or a key", "FIELD");
  word("--unit", s->unit, "Of the power: W, mW, kW, or the factor to W", "U");
  word("--also", s->also, "Other fields by hand: energy=4,current=3:mA", "LIST");
  word("--resolution", s->resolution, "The step of its power readings", "W");
  word("--accuracy", s->accuracy, "By its manual: \"1% + 0.05W\" or \"class B\"", "SPEC");
  word("--name", s->name, "A name for the meter (bench)", "NAME");
  word("--out", s->out, "The folder for config and profile", "DIR");
  setup->add_flag("--power-only", s->power_only, "Leave voltage, energy and the rest out");
  setup->add_flag("--add", s->add, "Add the meter to the config that is there, as a file of conf.d beside it");
  setup->add_flag("--overwrite", s->overwrite, "Replace config and profile that are there");
  setup->add_flag("--yes", s->yes, "Ask nothing: take what is suggested");
}

void add_words_on_runs(Grammar& grammar) {
  auto [name, n] =
      grammar.command<NameArguments>("name", "Say what device an automatic run was, or ask which it looks like");
  run_word(name, n->run);
  name->add_option("DEVICE", n->device, "The device; without it the likeliest known ones, with their odds");
  name->add_flag("--accept", n->accept, "Take the proposal that runs shows");
  auto [mark, m] = grammar.command<MarkArguments>("mark", "Pin a note to an instant, or say of what kind a segment is");
  mark->add_option("TEXT", m->text, "The note; with --remove only of several at one instant");
  mark->add_option("--meter", m->meter, "The meter it concerns")->type_name("M");
  mark->add_option("--run", m->run, "The run it concerns")->type_name("RUN");
  mark->add_option("--at", m->at, "The instant, if not now")->type_name("TIME");
  mark->add_option("--kind", m->kind, "The whole segment at that instant becomes off, standby, idle, plateau, ...")
      ->type_name("KIND");
  mark->add_flag("--remove", m->remove, "Take the mark at that instant back");
  auto [split, s] = grammar.command<SplitArguments>("split", "Make two runs of one");
  run_word(split, s->run);
  split->add_option("--at", s->at, "Where the second begins")->type_name("TIME")->required();
  auto [pin, p] = grammar.command<PinArguments>("pin", "Keep a run's raw readings for ever");
  run_word(pin, p->run);
  pin->add_flag("--off", p->off, "Take the pin out again");
  auto [join, j] = grammar.command<JoinArguments>("join", "Make one run of two that follow each other: undoes split");
  run_word(join, j->run);
  join->add_option("NEXT", j->next, "The run that follows it")->required();
  auto [drop, d] = grammar.command<DropArguments>("drop", "Drop a run's name and figures; its readings stay");
  run_word(drop, d->run);
  auto [forget, f] = grammar.command<DropArguments>("forget", "The old word for drop");
  run_word(forget, f->run);
  f->old_word = true;
  forget->group("");
  auto [set, c] = grammar.command<SetArguments>(
      "set", "Say afterwards under what conditions a run was measured; an empty value takes one back");
  run_word(set, c->run);
  described(set, c->note, c->includes, c->set);
}

void add_tasks(Grammar& grammar) {
  auto [during, d] =
      grammar.command<DuringArguments>("during", "What a command costs: energy above idle, time, mean power");
  during->add_option("LABEL", d->label, "What the task is called; the marks bear it")->required();
  during->add_option("-n,--times", d->times, "How often to run it (1)")->type_name("N");
  during->add_option("--meter", d->meter, "Which meter, where there are several")->type_name("M");
  during->add_option("--settle", d->settle, "Quiet before, between and after, for the idle (30)")->type_name("S");
  during->add_option("--shell", d->shell, "Run it over this: \"ssh board\"; it gets the command as one word")
      ->type_name("CMD");
  during->add_option("COMMAND", d->command, "After --: the command and its words");
}

void add_answers(Grammar& grammar) {
  auto [runs, r] = grammar.command<RunsArguments>("runs", "List the runs");
  runs->add_option("--device", r->device, "Only this device's")->type_name("D");
  runs->add_option("--since", r->since, "Only those that ended after this")->type_name("TIME");
  runs->add_option("--until", r->until, "Only those that began before this")->type_name("TIME");
  auto [segments, g] = grammar.command<SegmentsArguments>("segments", "The segments of a run");
  run_word(segments, g->run);
  segments->add_flag("--wide", g->wide,
                     "Also dates, means, energies, readings, excursions and how long settling took: wider than 100 "
                     "columns");
  auto [summary, s] = grammar.command<SummaryArguments>("summary", "The figures of one run");
  run_word(summary, s->run);
  summary->add_flag("--budget", s->budget,
                    "Where the uncertainty comes from, part by part, and whether the levels were stable");
  auto [compare, c] = grammar.command<CompareArguments>("compare", "One row a device: the table one would publish");
  compare->add_option("RUN", c->runs, "Runs to compare; without any, the newest run of each device");
  compare->add_option("--against", c->against, "Differences from this device and ratios to it")->type_name("DEVICE");
  compare->add_option("--less", c->less, "Subtract what was measured alone in this run: an adapter, a display")
      ->type_name("RUN");
  compare->add_option("--format", c->format, "text, markdown, csv or json")->type_name("F");
  compare->add_flag("--all", c->all, "Without RUN: all runs of each device, pooled");
  compare->add_option("--columns", c->columns, "Of the text: standby,idle,idle-rank,baseline,load,... in this order")
      ->type_name("LIST");
  compare->add_option("--day", c->day, "What a day of such hours takes: idle=20h,load=4h")->type_name("HOURS");
  compare->add_option("--tariff", c->tariff, "With --day: the price of a kWh, for a year's cost")->type_name("P");
  compare->add_option("--currency", c->currency, "Its name, for the table")->type_name("C");
  compare->add_option("--battery", c->battery, "With --day: how long one lasts, \"100Ah 12V\" or 1200Wh")
      ->type_name("B");
  auto [history, h] =
      grammar.command<HistoryArguments>("history", "A device's figures run by run, and whether they moved");
  history->add_option("DEVICE", h->device, "The device")->required();
  history->add_option("--format", h->format, "text, csv or json")->type_name("F");
  auto [report, o] = grammar.command<ReportArguments>("report", "One page of some runs, for any browser and for paper");
  report->add_option("RUN", o->runs, "Runs to report; without any, those of compare");
  report->add_option("-o,--output", o->file, "Where to write it; an older file is replaced whole; - is standard output")
      ->type_name("FILE")
      ->required();
  report->add_option("--title", o->title, "Its heading")->type_name("T");
  report->add_option("--note", o->note, "A note under the heading")->type_name("T");
  report->add_option("--format", o->format, "html, or svg or png: a picture of table and bars")->type_name("F");
  auto [trace, t] = grammar.command<TraceArguments>("trace", "The power curve of a run with its segments");
  run_word(trace, t->run);
  trace->add_option("--from", t->from, "Begin of the part to show")->type_name("T");
  trace->add_option("--to", t->to, "End of the part to show")->type_name("T");
  followed(trace, t->follow, t->every);
  auto [check, k] = grammar.command<CheckArguments>("check", "Verify the store");
  check->add_flag("--acknowledge", k->acknowledge,
                  "Readings that were set aside damaged are known: tell of them no more");
  auto [backup, b] =
      grammar.command<BackupArguments>("backup", "A verified copy of the store, also while the service records");
  backup->add_option("-o,--output", b->file, "The copy; must not be there yet")->check(names_a_file)->type_name("FILE");
  backup->add_option("--into", b->folder, "Or a folder: the copy is called after the time")->type_name("FOLDER");
  backup->add_option("--keep", b->keep, "With --into: so many copies stay, the oldest go")->type_name("N");
  auto [salvage, v] = grammar.command<SalvageArguments>("salvage", "What is sound in a damaged store, in a new one");
  salvage->add_option("DAMAGED", v->damaged, "The damaged store; it is only read")->required();
  salvage->add_option("-o,--output", v->fresh, "The new store; must not be there yet")
      ->check(names_a_file)
      ->type_name("NEW")
      ->required();
}

void add_calibrations(Grammar& grammar) {
  auto [calibrate, c] = grammar.command<CalibrateArguments>(
      "calibrate", "One meter held against another or against known loads: its correction");
  calibrate->add_option("METER", c->meter, "The meter to be corrected")->required();
  calibrate->add_option("--against", c->against, "The meter that is trusted more, on the same load at the same time")
      ->type_name("METER");
  calibrate
      ->add_option("--known", c->known,
                   "What a known load draws, \"60.0 ± 0.3 W\" (k = 2); one for each --run, in their order")
      ->type_name("POWER")
      ->allow_extra_args(false);
  calibrate->add_option("--run", c->runs, "A run to compare (may be repeated)")
      ->type_name("RUN")
      ->allow_extra_args(false);
  calibrate->add_flag("--write", c->write, "Put the correction into the meter's profile");
  calibrate->add_option("--valid-days", c->valid_days, "How long it is good for (365)")->type_name("DAYS");
}

void add_estimates(Grammar& grammar) {
  auto [estimate, e] = grammar.command<EstimateArguments>("estimate", "Energy and cost a year, battery and supply");
  estimate->add_option("RUN", e->runs, "Runs to estimate from; runs of one device are pooled")->required();
  const auto number = words_of(estimate);
  number("--idle-h", e->idle_h, "Hours of a day idle", "H");
  number("--load-h", e->load_h, "Hours of a day under load", "H");
  number("--standby-h", e->standby_h, "Hours of a day in standby", "H");
  number("--off-h", e->off_h, "Hours of a day off but plugged in", "H");
  number("--duty", e->duty, "The published weightings instead: desktop or notebook, then :full and so on", "D");
  number("--off-w", e->off_w, "Power when off, where the run has none", "W");
  number("--sleep-w", e->sleep_w, "Power asleep, for --duty", "W");
  number("--long-idle-w", e->long_idle_w, "Power idle with the display dark, for --duty", "W");
  number("--tariff", e->tariff, "Price of a kWh", "X");
  number("--currency", e->currency, "What the price is in", "TXT");
  number("--emissions", e->emissions, "Grams emitted for a kWh", "G");
  number("--autonomy-days", e->autonomy_days, "Days a battery must last alone", "D");
  number("--dod", e->dod, "Usable depth of discharge (0.5)", "F");
  number("--battery-efficiency", e->battery_efficiency, "Of converter or inverter (0.9)", "F");
  number("--ageing", e->ageing, "Share of capacity lost before it is replaced (0.2)", "F");
  number("--temperature-factor", e->temperature_factor, "By how much cold makes it larger (1)", "F");
  number("--battery-c", e->battery_c, "Or its temperature: the published factor for lead-acid", "C");
  number("--battery-v", e->battery_v, "Its voltage, for ampere-hours", "V");
  number("--adapter-efficiency", e->adapter_efficiency, "Of the device's own supply: a battery then feeds the device",
         "F");
  number("--adapter-curve", e->adapter_curve, "Or the published least: external:65, gold:500, ...", "NAME:W");
}

void add_files(Grammar& grammar) {
  auto [import, i] = grammar.command<ImportArguments>("import", "Make one run of a CSV of readings");
  import->add_option("FILE", i->file, "A table of readings as text; - is standard input")->required();
  import->add_option("--device", i->device, "What was measured")->type_name("NAME");
  import->add_option("--resolution", i->resolution, "The meter's display step; without it, learnt")->type_name("W");
  import->add_flag("--truncates", i->truncates, "The display cuts digits off instead of rounding; with --resolution");
  import->add_flag("--rounds", i->rounds, "The display rounds, and does not cut digits off");
  import->add_flag("--on-change", i->on_change, "A line holds until the next: the meter speaks only of changes");
  import->add_option("--gap", i->gap, "Silence longer than this is a gap; with --on-change a day, else by the readings")
      ->type_name("SECONDS");
  import->add_option("--accuracy", i->accuracy, "\"1%\", \"1% + 0.05W\" or \"class B\"")->type_name("SPEC");
  import->add_option("--starting", i->starting, "Below this the meter shows nothing")->type_name("W");
  import->add_option("--missing-below", i->missing_below, "Readings below this are no power, but missing")
      ->type_name("W");
  const auto said = words_of(import);
  said("--time", i->time, "The column with the times, by its name or number; DATE+TIME for two", "COLUMN");
  said("--power", i->power, "The column with the power, by its name or number", "COLUMN");
  said("--unit", i->unit, "Of the power: mW, W or kW", "U");
  said("--delimiter", i->delimiter, "What stands between columns: , ; tab", "C");
  said("--decimal", i->decimal, "The decimal sign: . or ,", "C");
  said("--date-format", i->date_format, "dmy, mdy, ymd, %d/%m/%Y, unix, unix-ms, serial, elapsed", "F");
  said("--zone", i->zone, "Whose clock wrote times without an offset: Europe/Paris, +01:00, UTC", "Z");
  described(import, i->note, i->includes, i->set);
  auto [out, x] = grammar.command<ExportArguments>("export", "Readings or segments out");
  out->add_option("RUN", x->run, "A run's number, or last");
  out->add_option("--format", x->format, "csv (can be imported again), json, or ndjson: an object a line")
      ->type_name("F");
  out->add_option("--meter", x->meter, "Instead of a run: all readings of this meter")->type_name("M");
  out->add_option("--from", x->from, "Begin")->type_name("T");
  out->add_option("--to", x->to, "End")->type_name("T");
  out->add_option("-o,--output", x->file,
                  "Where to write it, instead of standard output; an older file is replaced whole")
      ->type_name("FILE");
  out->add_flag("--segments", x->segments, "The run's segments instead of its readings");
  auto [enter, e] = grammar.command<EnterArguments>("enter", "A figure read from a display, as a row of the table");
  enter->add_option("DEVICE", e->device, "The device")->required();
  enter->add_option("--idle", e->idle, "Its idle power")->type_name("W");
  enter->add_option("--load", e->load, "Its power under load")->type_name("W");
  enter->add_option("--standby", e->standby, "Its power in standby")->type_name("W");
  enter->add_option("--at", e->at, "When it was read, if not now")->type_name("TIME");
  enter
      ->add_option("--resolution", e->resolution,
                   "The display's step; without it, the last digit given (38 is a display of whole watts)")
      ->type_name("W");
  enter->add_option("--accuracy", e->accuracy, "The meter's: \"1%\", \"1% + 0.05W\" or \"class B\"")->type_name("SPEC");
  described(enter, e->note, e->includes, e->set);
}

void add_streams(Grammar& grammar) {
  auto [capture, c] =
      grammar.command<CaptureArguments>("capture", "What comes over a meter's port, with times, into a file");
  capture->add_option("--meter", c->meter, "Which meter, where there are several")->type_name("M");
  capture->add_option("-o,--out", c->out, "The file; an earlier capture is written over")
      ->check(names_a_file)
      ->type_name("FILE")
      ->required();
  capture->add_option("--seconds", c->seconds, "How long (30), 3600 at most")->type_name("S");
  auto [decode, d] = grammar.command<DecodeArguments>("decode", "Run a captured byte stream through a meter's decoder");
  decode->add_option("FILE", d->file, "The bytes as they came from the port")->required();
  decode->add_option("--profile", d->profile, "The meter's profile: a file, or an installed one's name")
      ->type_name("P")
      ->required();
}

}  // namespace

void add_commands(CLI::App& app, CommandLine& line) {
  Grammar grammar{app, line};
  add_globals(grammar);
  add_answers(grammar);
  add_live(grammar);
  add_first_meter(grammar);
  add_words_on_runs(grammar);
  add_tasks(grammar);
  add_files(grammar);
  add_streams(grammar);
  add_estimates(grammar);
  add_calibrations(grammar);
}

}  // namespace nightwatt::query
