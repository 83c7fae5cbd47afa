window.addEventListener("load", function () {
  SwaggerUIBundle({ url: "openapi.json", dom_id: "#page", validatorUrl: null, deepLinking: true, docExpansion: "list", defaultModelsExpandDepth: 0 });
});
