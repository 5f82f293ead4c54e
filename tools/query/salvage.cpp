#include "storage/salvage.hpp"

#include "context.hpp"
#include "figures/store_proof.hpp"
#include "measure/signal/time_text.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {
namespace {

void write_json(Context& context, const std::string& file, const storage::SalvageReport& report) {
  JsonWriter json(context.out);
  json.begin_document().field("file", file).field("runs", report.runs).field("blocks", report.blocks);
  json.field("samples", report.readings).field("marks", report.marks).key("lost").begin_array();
  for (const storage::SalvageLoss& loss : report.losses) {
    json.line_break().begin_object().field("meter", loss.meter).field("from", loss.from).field("to", loss.to);
    json.field("samples", loss.readings).key("runs").begin_array();
    for (const storage::RunId run : loss.runs) json.value(run);
    json.end_array().end_object();
  }
  json.end_array().key("remarks").begin_array();
  for (const std::string& remark : report.remarks) json.value(remark);
  json.end_array().end_object();
  context.out.write("\n");
}

std::string whose(const storage::SalvageLoss& loss) {
  std::string text;
  for (const storage::RunId run : loss.runs) text += (text.empty() ? "run " : ", run ") + std::to_string(run);
  const std::string meter = loss.meter ? "meter " + text::printable(*loss.meter) : "an imported file";
  return text.empty() ? meter + ", no run" : text + " on " + meter;
}

/// When it was, as far as that is known.
std::string when(const storage::SalvageLoss& loss) {
  if (!loss.from && !loss.to) return "all of its time";
  if (!loss.from) return "all before " + local_text(*loss.to);
  if (!loss.to) return "what came after " + local_text(*loss.from);
  return local_text(*loss.from) + " to " + local_text(*loss.to);
}

}  // namespace

Outcome run(Context& context, const SalvageArguments& arguments) {
  const auto report = storage::salvage(arguments.damaged, arguments.fresh, figures::mend_runs, figures::prove_run);
  if (!report) return tl::unexpected(report.error());
  if (context.json) {
    write_json(context, arguments.fresh, *report);
    return 0;
  }
  context.out.write(text::printable(arguments.fresh) + ": " + std::to_string(report->runs) + " runs, " +
                    std::to_string(report->readings) + " readings, " + std::to_string(report->marks) +
                    " marks proved sound and were brought over.\n");
  for (const storage::SalvageLoss& loss : report->losses)
    context.out.write(toned(context.style, Tone::red, "lost:") + " " + whose(loss) + ", " + when(loss) +
                      (loss.readings ? ", " + std::to_string(*loss.readings) + " readings" : "") + "\n");
  for (const std::string& remark : report->remarks)
    context.out.write(toned(context.style, Tone::yellow, "note:") + " " + text::printable(remark) + "\n");
  if (report->losses.empty() && report->remarks.empty()) context.out.write("Nothing is known to be lost.\n");
  return 0;
}

}  // namespace nightwatt::query
