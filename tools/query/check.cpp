#include "context.hpp"
#include "figures/store_proof.hpp"
#include "text/json_text.hpp"
#include "text/printable.hpp"

namespace nightwatt::query {

namespace {

Result<void> acknowledge(Context& context) {
  auto store = context.open_writer(WhereMissing::refuse);
  if (!store) return tl::unexpected(store.error());
  return in_transaction(*store, [&]() -> Result<void> {
    const auto known = store->acknowledge_quarantine();
    return known ? Result<void>{} : Result<void>(tl::unexpected(known.error()));
  });
}

}  // namespace

Outcome run(Context& context, const CheckArguments& arguments) {
  if (arguments.acknowledge)
    if (auto known = acknowledge(context); !known) return tl::unexpected(known.error());
  const auto store = context.open_reader();
  if (!store) return tl::unexpected(store.error());
  const auto check = store->check(figures::prove_run);
  if (!check) return tl::unexpected(check.error());
  if (context.json) {
    JsonWriter json(context.out);
    json.begin_document().field("ok", check->ok).field("samples", check->samples).field("blocks", check->blocks);
    json.key("problems").begin_array();
    for (const std::string& problem : check->problems) json.value(problem);
    json.end_array().end_object();
    context.out.write("\n");
    return check->ok ? 0 : 1;
  }
  for (const std::string& problem : check->problems)
    context.out.write(toned(context.style, Tone::red, "problem:") + " " + text::printable(problem) + "\n");
  context.out.write(
      (check->ok ? toned(context.style, Tone::green, "The store is sound") : std::string("The store is not sound")) +
      ": " + std::to_string(check->samples) + " readings, " + std::to_string(check->blocks) + " blocks, " +
      std::to_string(check->problems.size()) + (check->problems.size() == 1 ? " problem.\n" : " problems.\n"));
  return check->ok ? 0 : 1;
}

}  // namespace nightwatt::query
